"""Answers as text: lines for a terminal, and Markdown to be pasted."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from tasks.core.wording import count

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tasks.answers.device import Answer
    from tasks.answers.sentence import Sentence, Strength, Use

#: The uses of a sentence, with what stands under their headings.
USES: Final[dict[Use, tuple[str, str]]] = {
    "write": ("Write it", "Holds beyond these workouts, with the risk that is stated."),
    "count": ("Write it with its count", "True of these workouts; no promise for the next."),
    "open": ("Leave it open", "The data do not say, or are hardly any."),
}
BESIDE: Final = "Beside all of this"
#: What stands behind a sentence, in a word.
STRENGTHS: Final[dict[Strength, str]] = {
    "shown": "shown",
    "leans": "leans",
    "alike": "alike",
    "open": "open",
    "few": "too few",
    "level": "",
    "none": "",
}
#: The words explained, for pages and text.
MEANINGS: Final = (
    ("shown", "holds after adjustment for all questions that were asked"),
    ("alike", "shown to differ by less than the margin"),
    ("leans", "only its own 98 % interval leaves zero out; wrong more often than what is shown"),
    ("open", "could have been shown, was not"),
    ("too few", "so few workouts that no difference could be shown"),
)
CAUTION: Final = "Heart-rate figures are no medical advice."


def write_title(answer: Answer) -> str:
    """Return e.g. "Alder 2: 8 workouts, compared with Alder 1"."""
    against = "" if answer.opponent is None else f", compared with {answer.opponent.name}"
    return f"{answer.device.name}: {count(answer.n_workouts, 'workout')}{against}"


def mark_strength(sentence: Sentence) -> str:
    """Return the word of what stands behind a sentence, in brackets; empty where there is none."""
    word = STRENGTHS[sentence.strength]
    return f" [{word}]" if word else ""


def write_markdown(answers: Sequence[Answer]) -> str:
    """Return the answers as Markdown: first what may be written, then each domain with numbers."""
    lines: list[str] = []
    for answer in answers:
        lines += [*_write_device(answer), ""]
    lines += [f"*{CAUTION}*", ""]
    return "\n".join(lines)


def _write_device(answer: Answer) -> Iterator[str]:
    yield f"# {write_title(answer)}"
    for use, (title, meaning) in USES.items():
        sentences = answer.list_use(use)
        if sentences:
            yield from ("", f"## {title}", "", f"*{meaning}*", "")
            yield from (f"- {one.text}{mark_strength(one)}" for one in sentences)
    for domain in answer.domains:
        yield from ("", f"## {domain.title}", "")
        for one in domain.sentences:
            evidence = f" <small>{one.evidence}</small>" if one.evidence else ""
            yield f"- {one.text}{mark_strength(one)}{evidence}"
    if answer.beside:
        yield from ("", f"## {BESIDE}", "")
        yield from (f"- {one.text} {one.evidence}".rstrip() for one in answer.beside)
