"""The answers of the first page: sentences sorted by use, domains with their charts, coverage."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from tasks.answers.coverage import LEAST_WORKOUTS, cover, list_headline
from tasks.answers.device import MOST_PER_DOMAIN, answer_device
from tasks.answers.phrases import PHRASES
from tasks.answers.sentence import Pen
from tasks.answers.text import BESIDE, MEANINGS, STRENGTHS, USES
from tasks.report.paired import draw_pairs

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tasks.answers import Answer, Facts, Sentence
    from tasks.answers.coverage import Coverage
    from tasks.answers.facts import DeviceFacts
    from tasks.report.minutes import Enlargement
    from tasks.report.paired import PairedChart

#: Charts of one domain.
_MOST_CHARTS: Final = 2
#: Other metrics that have a chart in a domain with room for one.
_SECOND: Final = {"track": "track_corners_cut_per_km"}
#: A device under test with fewer workouts has its answers on its own page only.
FEWEST_FOR_ANSWERS: Final = 2
_MOST_DISCS: Final = 20
_DISCS: Final = {1.0: "\N{BLACK CIRCLE}", 0.5: "\N{CIRCLE WITH LEFT HALF BLACK}"}
_RING: Final = "\N{WHITE CIRCLE}"


@dataclass(frozen=True)
class SentenceView:
    """A sentence as a page shows it: `discs` draw its tally, one for each workout."""

    text: str
    strength: str
    word: str
    discs: str
    counted: str
    evidence: str
    sql: str
    domain: str


@dataclass(frozen=True)
class DomainView:
    """One domain: its sentences, those behind a fold, and its charts."""

    name: str
    title: str
    sentences: tuple[SentenceView, ...]
    folded: tuple[SentenceView, ...]
    charts: tuple[PairedChart, ...]
    minutes: tuple[Enlargement, ...] = ()


@dataclass(frozen=True)
class UseView:
    """The sentences of one use."""

    name: str
    title: str
    meaning: str
    sentences: tuple[SentenceView, ...]
    more: int


@dataclass(frozen=True)
class AnswerView:
    """Everything that the first page says of one device."""

    device: DeviceFacts
    opponent: DeviceFacts | None
    third: DeviceFacts | None
    n_workouts: int
    uses: tuple[UseView, ...]
    domains: tuple[DomainView, ...]
    beside: tuple[SentenceView, ...]
    coverage: Coverage | None
    next_workouts: tuple[tuple[str, str], ...]
    meanings: tuple[tuple[str, str], ...] = MEANINGS
    beside_title: str = BESIDE
    least: int = LEAST_WORKOUTS


def list_answered(facts: Facts) -> list[DeviceFacts]:
    """Return the devices under test that the first page answers for."""
    return [
        one
        for one in facts.list_tested()
        if len(facts.list_worn(one.device_id)) >= FEWEST_FOR_ANSWERS
    ]


def view_answers(
    facts: Facts,
    device: DeviceFacts,
    *,
    units: str,
    minutes: tuple[Enlargement, ...] = (),
) -> AnswerView:
    """Return what a page shows of the answers of one device; `minutes` are those of heart rate."""
    answer = answer_device(facts, device, units=units)
    opponents = facts.list_opponents(device.device_id)
    third = opponents[1] if len(opponents) > 1 else None
    coverage = None if answer.opponent is None else cover(facts, device, answer.opponent)
    return AnswerView(
        device=device,
        opponent=answer.opponent,
        third=third,
        n_workouts=answer.n_workouts,
        uses=tuple(_view_uses(answer)),
        domains=tuple(
            replace(one, minutes=minutes) if one.name == "heart_rate" else one
            for one in _view_domains(facts, answer, third, pen=Pen(units))
        ),
        beside=tuple(_view(one) for one in answer.beside),
        coverage=coverage,
        next_workouts=() if coverage is None else tuple(coverage.list_next()),
    )


def _view_uses(answer: Answer) -> Iterator[UseView]:
    for use, (title, meaning) in USES.items():
        shown = answer.list_use(use)
        every = [one for one in answer.sentences if one.use == use]
        yield UseView(
            use, title, meaning, tuple(_view(one) for one in shown), len(every) - len(shown)
        )


def _view_domains(
    facts: Facts, answer: Answer, third: DeviceFacts | None, *, pen: Pen
) -> Iterator[DomainView]:
    for domain in answer.domains:
        sentences = [_view(one) for one in domain.sentences]
        charts: Sequence[PairedChart] = ()
        if answer.opponent is not None:
            charts = _draw(facts, answer, domain.name, third, pen=pen)
        yield DomainView(
            domain.name,
            domain.title,
            tuple(sentences[:MOST_PER_DOMAIN]),
            tuple(sentences[MOST_PER_DOMAIN:]),
            tuple(charts),
        )


def _draw(
    facts: Facts, answer: Answer, domain: str, third: DeviceFacts | None, *, pen: Pen
) -> list[PairedChart]:
    phrases = [one for one in list_headline(facts) if one.domain == domain]
    second = PHRASES.get(_SECOND.get(domain, ""))
    if second is not None and second not in phrases:
        phrases.append(second)
    if answer.opponent is None:
        return []
    charts = [
        draw_pairs(facts, answer.device, answer.opponent, one, pen=pen, third=third)
        for one in phrases
    ]
    return [one for one in charts if one is not None][:_MOST_CHARTS]


def _view(one: Sentence) -> SentenceView:
    n = len(one.tally)
    discs = "".join(_DISCS.get(value, _RING) for value in sorted(one.tally, reverse=True))
    return SentenceView(
        text=one.text,
        strength=one.strength,
        word=STRENGTHS[one.strength],
        discs=discs if 1 < n <= _MOST_DISCS else "",
        counted=f"{one.tally.count(1.0)} of {n} workouts" if n else "",
        evidence=one.evidence,
        sql=one.sql,
        domain=one.domain,
    )
