"""What a device usually does: the level of its values across workouts, and how they scatter."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

from tasks.core.registers import METRICS
from tasks.maths.bca import FEWEST_VALUES, compute_mean_intervals
from tasks.maths.intervals import FEWEST_FOR_MEDIAN, compute_median_interval
from tasks.verdicts.numbers import (
    FEWEST_WORKOUTS,
    compute_spread,
    list_described,
    list_measures,
)

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping

    from config.verdicts import VerdictSettings
    from tasks.maths.arrays import FloatArray
    from tasks.verdicts.asked import Measure
    from tasks.verdicts.conditions import Conditions
    from tasks.verdicts.numbers import ByReference, Numbers

ALL_CONDITIONS: Final = "all"
VALUE: Final = "value"
SIZE: Final = "size"


class Chosen(NamedTuple):
    """A workout's value, and what it was compared with."""

    value: float
    reference: str | None


@dataclass(frozen=True)
class Group:
    """Values of some workouts of one device, in one activity and condition."""

    device_id: str
    activity: str
    condition: str
    measure: Measure
    counted: str
    values: FloatArray
    left_out: int
    note: str


def describe_levels(
    conditions: Conditions,
    numbers: Numbers,
    settings: VerdictSettings,
    *,
    only: Collection[str] | None = None,
) -> list[dict[str, Any]]:
    """Return the rows of `levels`, without their run; with `only`, of these devices alone.

    Every device has one for each activity, and for all of them together, one outdoors and one
    indoors, and one for each of its conditions where it was worn in two or more. Of metrics whose
    best value is zero the sizes have a level, too: errors of opposite sign cancel in a mean, and
    cost a wearer no less.
    """
    groups = [
        group
        for group in _gather(conditions, numbers, settings)
        if only is None or group.device_id in only
    ]
    intervals = compute_mean_intervals([group.values for group in groups])
    return [
        _write(group, low=found.low, high=found.high)
        for group, found in zip(groups, intervals, strict=True)
    ]


def _gather(conditions: Conditions, numbers: Numbers, settings: VerdictSettings) -> Iterator[Group]:
    by_device: dict[str, dict[str, set[str]]] = {}
    for (device_id, key), by_value in conditions.items():
        named = {f"{key}: {value}": worn for value, worn in by_value.items()}
        by_device.setdefault(device_id, {}).update(named)
    by_place = _find_places(numbers)
    for device_id in sorted(numbers.roles):
        for metric in list_described(settings):
            for measure in list_measures(metric):
                values = numbers.values.get((device_id, measure), {})
                found = {one: choose(by_reference) for one, by_reference in values.items()}
                yield from _split(device_id, ALL_CONDITIONS, measure, found, numbers)
                groups = {**by_place, **by_device.get(device_id, {})}
                for condition, worn in groups.items():
                    there = {one: chosen for one, chosen in found.items() if one in worn}
                    yield from _split(device_id, condition, measure, there, numbers)


def _find_places(numbers: Numbers) -> dict[str, set[str]]:
    """Return the workouts outdoors and indoors, as conditions that every device shares."""
    found: dict[str, set[str]] = {}
    for workout_id, workout in numbers.workouts.items():
        if workout.surroundings is not None:
            found.setdefault(f"surroundings: {workout.surroundings}", set()).add(workout_id)
    return found if len(found) > 1 else {}


def choose(by_reference: ByReference) -> Chosen | None:
    """Return the value against the best reference that has one."""
    for reference, value in by_reference.items():
        if value is not None:
            return Chosen(value, reference)
    return None


def _split(
    device_id: str,
    condition: str,
    measure: Measure,
    found: Mapping[str, Chosen | None],
    numbers: Numbers,
) -> Iterator[Group]:
    for activity, there in numbers.split(found):
        kept = [one for one in there.values() if one is not None]
        if len(kept) < FEWEST_WORKOUTS:
            continue
        values = np.array([one.value for one in kept], dtype=np.float64)
        left_out, note = len(there) - len(kept), name_references(one.reference for one in kept)
        yield Group(device_id, activity, condition, measure, VALUE, values, left_out, note)
        if METRICS[measure.metric].better == "zero":
            sizes = np.abs(values)
            yield Group(device_id, activity, condition, measure, SIZE, sizes, left_out, note)


def name_references(references: Iterable[str | None]) -> str:
    """Say how many workouts were compared with what; empty where none was."""
    counts = Counter(reference for reference in references if reference is not None)
    named = [f"{reference} ({counts[reference]})" for reference in sorted(counts)]
    return f"compared with {', '.join(named)}" if named else ""


def _write(group: Group, *, low: float, high: float) -> dict[str, Any]:
    values = group.values
    median = compute_median_interval(values)
    metric = METRICS[group.measure.metric]
    return {
        "device_id": group.device_id,
        "activity": group.activity,
        "condition": group.condition,
        "segment": group.measure.segment,
        "metric": group.measure.metric,
        "counted": group.counted,
        "n_workouts": values.size,
        "left_out": group.left_out,
        "mean": float(np.mean(values)),
        "mean_ci_low": keep(low),
        "mean_ci_high": keep(high),
        "median": float(np.median(values)),
        "median_ci_low": keep(median.low),
        "median_ci_high": keep(median.high),
        "sd": compute_spread(values),
        "unit": metric.unit,
        "no_interval": _explain(values.size),
        "note": group.note or None,
    }


def _explain(n: int) -> str | None:
    if n < FEWEST_FOR_MEDIAN:
        return (
            f"{n} workouts: an interval of the median takes {FEWEST_FOR_MEDIAN}, of the mean "
            f"{FEWEST_VALUES}"
        )
    if n < FEWEST_VALUES:
        return f"{n} workouts: an interval of the mean takes {FEWEST_VALUES}"
    return None


def keep(value: float) -> float | None:
    """Return a finite number, or nothing."""
    return value if np.isfinite(value) else None
