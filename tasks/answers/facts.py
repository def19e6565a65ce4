"""What answers are made from: rows of the published tables, as frozen records.

One number per workout, device, metric and segment; two devices are paired as verdicts pair them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.wording import write_day
from tasks.tables.answer_columns import SURROUNDINGS
from tasks.verdicts.asked import Measure
from tasks.verdicts.numbers import Workout, make_numbers
from tasks.verdicts.pairing import fill_failures, find_level, find_signs, pair_workouts

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import date

    from tasks.verdicts.numbers import ByReference, Numbers

ALL: Final = "all"
AFTER_LOCK: Final = "after_lock"
CRITERION: Final = "criterion"
#: Families that answer whether one device is better than another one.
_OF_DEVICES: Final = ("headline", "details")

Row = dict[str, Any]


@dataclass(frozen=True)
class DeviceFacts:
    """One device of the test."""

    device_id: str
    name: str
    role: str
    site: str


@dataclass(frozen=True)
class WorkoutFacts:
    """One workout; `start_s` counts from 1970, UTC."""

    workout_id: str
    start_s: float
    duration_s: float
    local_offset_s: int
    activity: str
    place: str | None
    surroundings: str | None
    device_ids: tuple[str, ...]

    @property
    def local_s(self) -> float:
        """Its start on the wall clock."""
        return self.start_s + self.local_offset_s

    @property
    def title(self) -> str:
        """What and when, e.g. "mountain biking of 30 Nov"."""
        return f"{self.activity.replace('-', ' ')} of {write_day(self.local_s)}"


@dataclass(frozen=True)
class Value:
    """One value of a workout, and what it was compared with; `value` None with a reason."""

    value: float | None
    reference: str | None
    reference_kind: str | None
    reason: str | None
    n: int | None = None


@dataclass(frozen=True)
class Metric:
    """What a metric is: title, unit, which values are better, its domain."""

    metric: str
    title: str
    unit: str
    better: str

    @property
    def counts_size(self) -> bool:
        """Whether the size counts and not the sign."""
        return self.better == "zero"

    def score(self, value: float) -> float:
        """Return what is compared: the value, or its size."""
        return abs(value) if self.counts_size else value

    @property
    def good_sign(self) -> int:
        """The sign of a difference of two scores where the first is the better one."""
        return 1 if self.better == "higher" else -1


@dataclass(frozen=True)
class Pair:
    """Two devices' values of one workout against one reference, as scored.

    `own` and `other` are NaN where the device failed. `difference` is own minus other with failures
    in it, as verdicts compare it; `sign` is 1 where the device is the better one, 0 for a tie.
    """

    workout: WorkoutFacts
    own: float
    other: float
    difference: float
    sign: int
    reference: str | None = None
    failed_own: bool = False
    failed_other: bool = False


#: The values of one metric and segment of one device by workout, the best reference first.
ByWorkout = dict[str, tuple[Value, ...]]


@dataclass(frozen=True)
class Occurrence:
    """How often a kind of finding happened to a device in one workout, and for how long."""

    workout_id: str
    kind: str
    count: int
    seconds: float
    greatest: float | None


@dataclass(frozen=True)
class Excluded:
    """What was set aside, and why: a device or all, a domain or all, a part of the time or all."""

    workout_id: str
    device_id: str | None
    domain: str | None
    is_partial: bool
    because: str


@dataclass(frozen=True)
class PlanFacts:
    """The plan of the test as the tables hold it; `since` is when its questions were settled."""

    device: str
    against: tuple[str, ...]
    workouts: int
    horizon: int
    margins: Mapping[str, float]
    since_s: float
    wanted: tuple[Row, ...] = ()
    balance: tuple[str, ...] = ()
    begin: date | None = None
    end: date | None = None


@dataclass(frozen=True)
class Facts:
    """All that is known of the devices of a test across their workouts.

    `limits` are those that the settings set, by metric: at most or at least, how much, and by whom.
    """

    devices: Mapping[str, DeviceFacts]
    workouts: Mapping[str, WorkoutFacts]
    metrics: Mapping[str, Metric]
    values: Mapping[tuple[str, str, str], ByWorkout]
    verdicts: Sequence[Mapping[str, Any]]
    setups: Mapping[tuple[str, str], Mapping[str, str]]
    occurrences: Mapping[str, tuple[Occurrence, ...]]
    margins: Mapping[str, float] = field(default_factory=dict)
    plan: PlanFacts | None = None
    excluded: tuple[Excluded, ...] = ()
    cold_degc: float = 10.0
    limits: Mapping[str, tuple[str, float, str]] = field(default_factory=dict)

    def list_worn(self, device_id: str) -> list[WorkoutFacts]:
        """Return the workouts of a device, the oldest first."""
        return [one for one in self.workouts.values() if device_id in one.device_ids]

    def find_values(
        self, device_id: str, metric: str, segment: str = ALL
    ) -> dict[str, tuple[float, str | None]]:
        """Return each workout's value against its best reference, and that reference."""
        found = {}
        for workout_id, several in self.values.get((device_id, metric, segment), {}).items():
            one = next((one for one in several if one.value is not None), None)
            if one is not None and one.value is not None:
                found[workout_id] = one.value, one.reference
        return self._in_order(found)

    def find_shares(self, device_id: str, metric: str) -> dict[str, tuple[float, int]]:
        """Return each workout's value over all of it, and the number that it is a share of."""
        found = {}
        for workout_id, several in self.values.get((device_id, metric, ALL), {}).items():
            one = next((one for one in several if one.value is not None), None)
            if one is not None and one.value is not None and one.n:
                found[workout_id] = one.value, one.n
        return self._in_order(found)

    @cached_property
    def numbers(self) -> Numbers:
        """The values as verdicts pair them."""
        values: dict[tuple[str, Measure], dict[str, ByReference]] = {}
        worn: dict[str, set[str]] = {}
        for (device_id, metric, segment), by_workout in self.values.items():
            values[device_id, Measure(metric, segment)] = {
                workout_id: {one.reference: one.value for one in several}
                for workout_id, several in by_workout.items()
            }
            worn.setdefault(device_id, set()).update(by_workout)
        workouts = {
            one.workout_id: Workout(
                datetime.fromtimestamp(one.start_s, UTC),
                one.activity,
                one.surroundings,
                one.local_offset_s,
            )
            for one in self.workouts.values()
        }
        sizes = {one.metric for one in self.metrics.values() if one.counts_size}
        return make_numbers(values, workouts, {}, worn, counting_size=sizes)

    def list_failed(self, device_id: str, metric: str, segment: str = ALL) -> list[str]:
        """Return the workouts in which a device failed in what a metric measures."""
        measure = Measure(metric, segment)
        worn = self.numbers.worn.get(device_id, set())
        return [
            one
            for one in self.workouts
            if one in worn and self.numbers.has_failed(device_id, measure, one)
        ]

    def find_pairs(
        self, device_id: str, other_id: str, metric: str, segment: str = ALL
    ) -> list[Pair]:
        """Return the workouts that compare two devices, those that verdicts count and no others."""
        scored = self.metrics.get(metric)
        if scored is None:
            return []
        begin, end = self._find_span(device_id, other_id)
        workouts = self.numbers.workouts
        found = pair_workouts(
            self.numbers,
            device_id,
            other_id,
            Measure(metric, segment),
            counts=lambda one: workouts[one].lies_within(begin, end),
        ).pairs
        differences = fill_failures(
            np.array([one.own - one.other for one in found.values()], dtype=np.float64),
            np.array([one.failed_own for one in found.values()], dtype=np.bool_),
            np.array([one.failed_other for one in found.values()], dtype=np.bool_),
            good_sign=scored.good_sign,
        )
        signs = find_signs(differences) * scored.good_sign
        return [
            Pair(
                self.workouts[workout_id],
                one.own,
                one.other,
                float(difference),
                int(sign),
                one.reference,
                one.failed_own,
                one.failed_other,
            )
            for (workout_id, one), difference, sign in zip(
                found.items(), differences, signs, strict=True
            )
        ]

    def _find_span(self, device_id: str, other_id: str) -> tuple[date | None, date | None]:
        """Return first and last day of the plan, where it is about these two."""
        plan = self.plan
        if plan is None or plan.device != device_id or other_id not in plan.against:
            return None, None
        return plan.begin, plan.end

    def find_verdict(
        self,
        device_id: str,
        against: str,
        metric: str,
        segment: str = ALL,
        *,
        place: str = ALL,
        family: str | None = None,
    ) -> Mapping[str, Any] | None:
        """Return the answer to one question over all activities; of `family`, else no other's.

        Whether place matters is asked about the same workouts, as a family of its own.
        """
        rows = self._by_question.get((device_id, against, metric, segment, place), ())
        families = _OF_DEVICES if family is None else (family,)
        return next((row for row in rows if row["family"] in families), None)

    @cached_property
    def _by_question(self) -> dict[tuple[str, str, str, str, str], list[Mapping[str, Any]]]:
        found: dict[tuple[str, str, str, str, str], list[Mapping[str, Any]]] = {}
        for row in self.verdicts:
            if row["activity"] == ALL and row["n_workouts"]:
                key = (
                    row["device_id"],
                    row["against"],
                    row["metric"],
                    row["segment"],
                    row["place"],
                )
                found.setdefault(key, []).append(row)
        return found

    def name(self, device_id: str) -> str:
        """Return a device's name, or the id of one that is gone."""
        found = self.devices.get(device_id)
        return device_id if found is None else found.name

    def _in_order(self, found: dict[str, Any]) -> dict[str, Any]:
        return {one: found[one] for one in self.workouts if one in found}

    def list_tested(self) -> list[DeviceFacts]:
        """Return the devices under test, that of the plan first, then those worn most."""
        first = self.plan.device if self.plan else None
        tested = [one for one in self.devices.values() if one.role == "test"]
        worn = {one.device_id: len(self.list_worn(one.device_id)) for one in tested}
        return sorted(
            tested, key=lambda one: (one.device_id != first, -worn[one.device_id], one.device_id)
        )

    def list_opponents(self, device_id: str) -> list[DeviceFacts]:
        """Return those that a device is compared with, the named one first, then predecessors."""
        named = self.plan.against if self.plan and self.plan.device == device_id else ()
        order = {name: place for place, name in enumerate(named)}
        worn = {one.workout_id for one in self.list_worn(device_id)}
        others = [
            one
            for one in self.devices.values()
            if one.device_id in order or one.role in {"predecessor", "peer"}
        ]
        together = {
            one.device_id: sum(
                workout.workout_id in worn for workout in self.list_worn(one.device_id)
            )
            for one in others
        }
        return sorted(
            (one for one in others if one.device_id != device_id and together[one.device_id]),
            key=lambda one: (
                order.get(one.device_id, len(order)),
                one.role != "predecessor",
                -together[one.device_id],
                one.device_id,
            ),
        )


def find_pair_levels(pairs: Sequence[Pair], metric: Metric) -> tuple[float | None, float | None]:
    """Return the medians of both devices as verdicts have them; None where most workouts failed."""
    own, other = (
        find_level(
            np.array(values, dtype=np.float64),
            np.array(failed, dtype=np.bool_),
            good_sign=metric.good_sign,
        )
        for values, failed in (
            ([one.own for one in pairs], [one.failed_own for one in pairs]),
            ([one.other for one in pairs], [one.failed_other for one in pairs]),
        )
    )
    return own, other


def list_by_surroundings(pairs: Sequence[Pair]) -> Iterator[tuple[str, list[Pair]]]:
    """Return the pairs of workouts outdoors, then those indoors; a kind without any is left out."""
    for surroundings in SURROUNDINGS:
        there = [one for one in pairs if one.workout.surroundings == surroundings]
        if there:
            yield surroundings, there
