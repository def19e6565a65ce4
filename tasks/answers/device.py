"""The answers of one device: by domain, and sorted by what may be done with them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from tasks.answers.compare import compare, compare_failures
from tasks.answers.conditions import compare_days, describe_battery
from tasks.answers.heart_rate import CAUSES, describe_heart_rate
from tasks.answers.levels import describe_level
from tasks.answers.phrases import DETAILS, DOMAINS, PHRASES, PRIMARY, find_phrase
from tasks.answers.read import read_facts
from tasks.answers.sentence import Pen, Sentence
from tasks.answers.trust import describe_trust
from tasks.answers.within import PARTS
from tasks.core.wording import join_words
from tasks.verdicts.numbers import OF_FAILURES

if TYPE_CHECKING:
    from collections.abc import Iterator

    import duckdb

    from config.settings import Settings
    from tasks.answers.facts import DeviceFacts, Facts
    from tasks.answers.phrases import Phrase
    from tasks.answers.sentence import Use

#: Sentences of one domain on a page, and of one use on the first screen.
MOST_PER_DOMAIN: Final = 5
#: Fewer workouts with both devices are not reported one metric at a time.
FEWEST_COMPARED: Final = 3
MOST_PER_USE: Final = 8
_SEGMENTS: Final = ("all", "after_lock", *PARTS)
_OTHERS: Final = (
    "hr_cadence_lock_s",
    "hr_cadence_descent_pct",
    "hr_start_temperature_degc",
    "battery_vs_claim_pct",
    "battery_projected_h",
)


@dataclass(frozen=True)
class DomainAnswer:
    """What is said of one domain, the most important first."""

    name: str
    title: str
    sentences: tuple[Sentence, ...]


@dataclass(frozen=True)
class Answer:
    """What the workouts say of a device. `opponent` is the one that comparisons are with."""

    device: DeviceFacts
    opponent: DeviceFacts | None
    n_workouts: int
    sentences: tuple[Sentence, ...]
    domains: tuple[DomainAnswer, ...]
    beside: tuple[Sentence, ...]

    def list_use(self, use: Use, *, most: int = MOST_PER_USE) -> tuple[Sentence, ...]:
        """Return the heaviest sentences of one use over all domains."""
        found = [one for one in self.sentences if one.use == use]
        return tuple(sorted(found, key=lambda one: -one.weight)[:most])


def read_answer_facts(connection: duckdb.DuckDBPyConnection, settings: Settings) -> Facts:
    """Read from the published tables all that answers are made from."""
    margins = settings.verdicts.margins
    facts = read_facts(
        connection,
        metrics={
            *PHRASES,
            *OF_FAILURES,
            *CAUSES,
            *_OTHERS,
            *margins,
            *(one.metric for one in settings.verdicts.criteria),
        },
        segments=_SEGMENTS,
        margins=margins,
    )
    limits = {
        one.metric: ("at least" if one.at_most is None else "at most", one.limit, one.source)
        for one in settings.verdicts.criteria
    }
    return replace(facts, cold_degc=settings.heart_rate.cold_degc, limits=limits)


def answer_all(facts: Facts, *, units: str) -> tuple[Answer, ...]:
    """Return the answers of every device under test that was worn."""
    return tuple(
        answer_device(facts, device, units=units)
        for device in facts.list_tested()
        if facts.list_worn(device.device_id)
    )


def answer_device(facts: Facts, device: DeviceFacts, *, units: str) -> Answer:
    """Return all that may be said of one device."""
    pen = Pen(units)
    opponents = facts.list_opponents(device.device_id)
    sentences = list(_describe_all(facts, device, opponents, pen=pen))
    domains = []
    for name, title in DOMAINS.items():
        own = sorted((one for one in sentences if one.domain == name), key=lambda one: -one.weight)
        if own:
            domains.append(DomainAnswer(name, title, tuple(own)))
    return Answer(
        device,
        opponents[0] if opponents else None,
        len(facts.list_worn(device.device_id)),
        tuple(sentences),
        tuple(domains),
        tuple(describe_trust(facts, device, opponents)),
    )


def _describe_all(
    facts: Facts, device: DeviceFacts, opponents: list[DeviceFacts], *, pen: Pen
) -> Iterator[Sentence]:
    phrases = list(_list_phrases(facts))
    split = set[str]()
    few: list[tuple[str, int]] = []
    for place, other in enumerate(opponents):
        for phrase in phrases:
            found = compare(facts, device, other, phrase, pen=pen)
            if found is not None and found.is_split:
                split.add(phrase.metric)
            if found is not None and place == 0 and len(found.workouts) < FEWEST_COMPARED:
                few.append((facts.metrics[phrase.metric].title, len(found.workouts)))
                continue
            # Of those that nobody named only what is shown, or leans, is worth a sentence.
            if found is not None and (place == 0 or found.strength in {"shown", "leans"}):
                yield found
            failed = compare_failures(facts, device, other, phrase) if place == 0 else None
            if failed is not None:
                yield failed
    for phrase in phrases:
        # Where places differ, one level of all workouts is that of none.
        level = describe_level(facts, device, phrase, pen=pen)
        if level is not None and phrase.metric not in split:
            yield level
    if few:
        yield _describe_few(few, opponents[0])
    yield from describe_heart_rate(facts, device, pen=pen)
    yield from describe_battery(facts, device, pen=pen)
    yield from compare_days(facts, device, pen=pen)


def _describe_few(few: list[tuple[str, int]], other: DeviceFacts) -> Sentence:
    """Say in one sentence what hardly any workouts compare."""
    named = join_words([f"{title[:1].lower()}{title[1:]} ({n})" for title, n in few])
    return Sentence(
        "",
        "open",
        f"Hardly anything is known against {other.name} of {named}: a comparison takes at least "
        f"{FEWEST_COMPARED} workouts, in brackets are those so far.",
        strength="few",
        weight=0.1,
    )


def _list_phrases(facts: Facts) -> Iterator[Phrase]:
    """Return the words of the primary metrics, of the details, and of others that a plan names."""
    yield from PRIMARY
    yield from DETAILS
    for metric in facts.plan.margins if facts.plan else ():
        if metric not in PHRASES and metric in facts.metrics:
            yield find_phrase(facts.metrics[metric])
