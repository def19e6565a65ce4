"""Which workouts tell something of which domain, and which workout would tell most next."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from tasks.answers.phrases import DOMAINS, find_phrase
from tasks.core.wording import count, join_words
from tasks.tables.answer_columns import SURROUNDINGS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tasks.answers.facts import DeviceFacts, Facts, WorkoutFacts
    from tasks.answers.phrases import Phrase

#: Workouts below which no difference can be shown: 2 / 2^6 is the first p below 0.05.
LEAST_WORKOUTS: Final = 6


@dataclass(frozen=True)
class Kind:
    """Workouts of one activity in one kind of place."""

    surroundings: str | None
    activity: str

    @property
    def words(self) -> str:
        """E.g. "running outdoors"."""
        place = f" {self.surroundings}" if self.surroundings else ""
        return f"{self.activity.replace('-', ' ')}{place}"


@dataclass(frozen=True)
class DomainCoverage:
    """How many workouts of each kind compare two devices in a domain, of how many there are."""

    domain: str
    title: str
    metric: str
    by_kind: dict[Kind, int]
    total: int

    @property
    def missing(self) -> int:
        """How many comparable workouts are missing until anything can be shown."""
        return max(0, LEAST_WORKOUTS - self.total)


@dataclass(frozen=True)
class Coverage:
    """What the workouts of a device cover against its opponent."""

    kinds: dict[Kind, int]
    domains: tuple[DomainCoverage, ...]

    def list_next(self) -> Iterator[tuple[str, str]]:
        """Return what one more workout of each kind of place would bring, the best first."""
        offers = []
        for surroundings in SURROUNDINGS:
            gains = [
                one
                for one in self.domains
                if one.missing
                and any(n for kind, n in one.by_kind.items() if kind.surroundings == surroundings)
            ]
            if gains:
                offers.append((sum(1.0 / one.missing for one in gains), surroundings, gains))
        for _, surroundings, gains in sorted(offers, key=lambda offer: -offer[0]):
            words = join_words(
                [f"{one.title.lower()} from {one.total} to {one.total + 1}" for one in gains]
            )
            yield (
                f"One more {surroundings}",
                f"takes {words}, of at least {LEAST_WORKOUTS} that it takes to show anything.",
            )


def cover(facts: Facts, device: DeviceFacts, other: DeviceFacts) -> Coverage:
    """Count the workouts that compare a device with another one, by domain and kind."""
    worn = [one for one in facts.list_worn(device.device_id) if other.device_id in one.device_ids]
    kinds = Counter(_name_kind(one) for one in worn)
    domains = []
    for domain, title in DOMAINS.items():
        best: DomainCoverage | None = None
        for phrase in list_headline(facts):
            if phrase.domain != domain:
                continue
            pairs = facts.find_pairs(
                device.device_id, other.device_id, phrase.metric, phrase.segment
            )
            by_kind = Counter(_name_kind(pair.workout) for pair in pairs)
            found = DomainCoverage(domain, title, phrase.metric, dict(by_kind), len(pairs))
            if best is None or found.total > best.total:
                best = found
        if best is not None:
            domains.append(best)
    order = sorted(kinds, key=lambda kind: (_place_of(kind), -kinds[kind], kind.activity))
    return Coverage({kind: kinds[kind] for kind in order}, tuple(domains))


def list_headline(facts: Facts) -> Iterator[Phrase]:
    """Return the words of the metrics of the headline: those of the plan, else the primary ones."""
    from tasks.answers.phrases import DETAILS, PRIMARY  # noqa: PLC0415 - only here

    if facts.plan is None or not facts.plan.margins:
        yield from PRIMARY
        yield from (one for one in DETAILS if one.metric == "start_delay_s")
        return
    for metric in facts.plan.margins:
        if metric in facts.metrics:
            yield find_phrase(facts.metrics[metric])


def _name_kind(workout: WorkoutFacts) -> Kind:
    return Kind(workout.surroundings, workout.activity)


def _place_of(kind: Kind) -> int:
    return SURROUNDINGS.index(kind.surroundings) if kind.surroundings in SURROUNDINGS else 2


def describe_least(coverage: DomainCoverage) -> str:
    """Return e.g. "5, 1 more"."""
    if not coverage.missing:
        return f"{count(coverage.total, 'workout')}: can be answered"
    return f"{count(coverage.total, 'workout')}, at least {coverage.missing} more"
