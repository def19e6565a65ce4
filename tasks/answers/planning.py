"""The plan of a test against its workouts: what is done, unbalanced, settled, what comes next."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from tasks.answers.conditions import READINGS, is_one_to_one
from tasks.answers.coverage import Kind, list_headline
from tasks.answers.facts import ALL
from tasks.answers.sentence import begin
from tasks.core.wording import count, join_words
from tasks.tables.answer_columns import SURROUNDINGS

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from tasks.answers.facts import DeviceFacts, Facts, WorkoutFacts

_SETTLED: Final = ("better", "worse", "alike")
#: Values of one setup key are balanced where none is worn more than this many times another.
_BALANCED: Final = 2.0
_HEADLINE: Final = "headline"


@dataclass(frozen=True)
class WantedRow:
    """Workouts of one kind that the plan asks for, and how many of them there are."""

    activity: str | None
    place: str | None
    wanted: int
    done: int

    @property
    def words(self) -> str:
        """E.g. "running, outdoors"."""
        parts = [self.activity or "any activity", self.place or "anywhere"]
        return ", ".join(part.replace("-", " ") for part in parts)

    @property
    def missing(self) -> int:
        """How many are still to come."""
        return max(0, self.wanted - self.done)


@dataclass(frozen=True)
class BalanceRow:
    """How often a device was worn with one value of a setup key, outdoors and indoors."""

    key: str
    value: str
    outdoors: int
    indoors: int
    total: int


@dataclass(frozen=True)
class Settled:
    """One question of the headline: its word, its workouts, and what would settle it."""

    title: str
    place: str
    word: str
    n_workouts: int
    needed: str


@dataclass(frozen=True)
class Next:
    """A kind of workout, what it brings to which open questions, and how much in all.

    `gain` adds, over the open questions that such a workout can compare, one part of the workouts
    that are still missing by simulation.
    """

    words: str
    gain: float
    brings: str


@dataclass(frozen=True)
class PlanReview:
    """A plan beside its workouts."""

    wanted: tuple[WantedRow, ...]
    balance: tuple[BalanceRow, ...]
    remarks: tuple[str, ...]
    questions: tuple[Settled, ...]
    following: tuple[Next, ...]


def review_plan(facts: Facts, device: DeviceFacts, other: DeviceFacts) -> PlanReview:
    """Return what is done and what comes next for a device and its opponent."""
    worn = [one for one in facts.list_worn(device.device_id) if other.device_id in one.device_ids]
    wanted = tuple(_count_wanted(facts, worn))
    rows = _list_headline(facts, device, other)
    return PlanReview(
        wanted,
        tuple(_count_balance(facts, device, worn)),
        tuple(_list_remarks(facts, device, worn)),
        tuple(_describe(facts, row) for row in rows),
        tuple(_list_next(facts, device, other, rows, wanted)),
    )


def does_fit(workout: WorkoutFacts, activity: str | None, place: str | None) -> bool:
    """Say whether a workout is of a kind that a plan asks for."""
    if activity is not None and workout.activity != activity:
        return False
    return place is None or place in {workout.place, workout.surroundings}


def _count_wanted(facts: Facts, worn: list[WorkoutFacts]) -> Iterator[WantedRow]:
    """Count each workout for the first kind with room that it fits."""
    if facts.plan is None:
        return
    room = {row["name"]: int(row["number"]) for row in facts.plan.wanted}
    done: Counter[str] = Counter()
    for workout in worn:
        fitting = [
            row["name"]
            for row in facts.plan.wanted
            if does_fit(workout, row["activity"], row["place"])
        ]
        free = [name for name in fitting if done[name] < room[name]]
        if fitting:
            done[(free or fitting)[0]] += 1
    for row in facts.plan.wanted:
        yield WantedRow(row["activity"], row["place"], room[row["name"]], done[row["name"]])


def _count_balance(
    facts: Facts, device: DeviceFacts, worn: list[WorkoutFacts]
) -> Iterator[BalanceRow]:
    named = facts.plan.balance if facts.plan else ()
    keys = [
        key
        for device_id, key in facts.setups
        if device_id == device.device_id and key not in READINGS and (not named or key in named)
    ]
    places = {one.workout_id: one.surroundings for one in worn}
    for key in sorted(keys):
        by_value: dict[str, Counter[str | None]] = defaultdict(Counter)
        for workout_id, value in facts.setups[device.device_id, key].items():
            if workout_id in places:
                by_value[value][places[workout_id]] += 1
        for value, counted in sorted(by_value.items()):
            outdoors, indoors = (counted[one] for one in SURROUNDINGS)
            yield BalanceRow(key, value, outdoors, indoors, counted.total())


def _list_remarks(facts: Facts, device: DeviceFacts, worn: list[WorkoutFacts]) -> Iterator[str]:
    """Say which setups are unbalanced, and which cannot be told from one another."""
    ids = {one.workout_id for one in worn}
    own = {
        key: {one: value for one, value in values.items() if one in ids}
        for (device_id, key), values in facts.setups.items()
        if device_id == device.device_id and key not in READINGS
    }
    named = facts.plan.balance if facts.plan else ()
    for key in named:
        counted = Counter(own.get(key, {}).values())
        if not counted:
            yield f"{begin(key)} is to be balanced and stands in no notes yet."
        elif len(counted) == 1:
            value, n = next(iter(counted.items()))
            yield f"{begin(key)} was {value} in all {count(n, 'workout')}: wear another one next."
        elif max(counted.values()) > _BALANCED * min(counted.values()):
            listed = join_words([f"{value} {n}" for value, n in counted.most_common()])
            yield f"{begin(key)} is unbalanced: {listed}."
    keys = sorted(own)
    for place, first in enumerate(keys):
        for second in keys[place + 1 :]:
            both = [(own[first][one], own[second][one]) for one in own[first] if one in own[second]]
            if len({one for one, _ in both}) > 1 and is_one_to_one(both):
                yield (
                    f"{begin(first)} and {second} always changed together: what is one cannot be "
                    "told from what is the other."
                )


def _list_headline(
    facts: Facts, device: DeviceFacts, other: DeviceFacts
) -> list[Mapping[str, Any]]:
    order = {one.metric: number for number, one in enumerate(list_headline(facts))}
    rows = [
        row
        for row in facts.verdicts
        if row["device_id"] == device.device_id
        and row["against"] == other.device_id
        and row["family"] == _HEADLINE
        and row["activity"] == ALL
        and row["n_workouts"]
        and row["metric"] in order
    ]
    return sorted(rows, key=lambda row: (order[row["metric"]], row["place"] != ALL, row["place"]))


def _describe(facts: Facts, row: Mapping[str, Any]) -> Settled:
    low, high = row.get("workouts_needed_low"), row["workouts_needed"]
    needed = ""
    if row["verdict"] not in _SETTLED:
        if high is None:
            needed = "not within reach by more of the same"
        else:
            needed = f"about {high}" if low in {None, high} else f"{low} to {high}"
    return Settled(
        facts.metrics[row["metric"]].title, row["place"], row["verdict"], row["n_workouts"], needed
    )


def _list_next(
    facts: Facts,
    device: DeviceFacts,
    other: DeviceFacts,
    rows: list[Mapping[str, Any]],
    wanted: tuple[WantedRow, ...],
) -> Iterator[Next]:
    """Return the kinds of workouts by what one more of them brings, the best first."""
    worn = [one for one in facts.list_worn(device.device_id) if other.device_id in one.device_ids]
    segments = {one.metric: one.segment for one in list_headline(facts)}
    compared = {
        metric: {
            pair.workout.workout_id
            for pair in facts.find_pairs(device.device_id, other.device_id, metric, segment)
        }
        for metric, segment in segments.items()
    }
    offers = []
    for words, workouts in _list_kinds(worn, wanted):
        gain = 0.0
        brought: dict[str, str] = {}
        for row in rows:
            share = _find_share(row, workouts, compared[row["metric"]])
            missing = (row["workouts_needed"] or 0) - row["n_workouts"]
            if row["verdict"] in _SETTLED or not share or missing <= 0:
                continue
            gain += share / missing
            title = facts.metrics[row["metric"]].title.lower()
            brought.setdefault(title, f"{title} ({row['n_workouts']} of {row['workouts_needed']})")
        if brought:
            offers.append(Next(words, gain, join_words(list(brought.values()))))
    yield from sorted(offers, key=lambda offer: -offer.gain)


def _list_kinds(
    worn: list[WorkoutFacts], wanted: tuple[WantedRow, ...]
) -> Iterator[tuple[str, list[WorkoutFacts]]]:
    """Return the kinds to choose from with their workouts: those the plan misses, else all."""
    missing = [row for row in wanted if row.missing]
    for row in missing:
        yield row.words, [one for one in worn if does_fit(one, row.activity, row.place)]
    if not missing:
        kinds = {Kind(one.surroundings, one.activity): None for one in worn}
        for kind in kinds:
            yield kind.words, [one for one in worn if kind == Kind(one.surroundings, one.activity)]


def _find_share(row: Mapping[str, Any], workouts: list[WorkoutFacts], compared: set[str]) -> float:
    """Return the share of a kind's workouts that a question could use so far."""
    fitting = [one for one in workouts if row["place"] in {ALL, one.surroundings}]
    if not workouts:
        return 0.0
    return sum(one.workout_id in compared for one in fitting) / len(workouts)
