"""One number per workout: what the questions across workouts are answered from."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Final, NamedTuple, TypeVar

import numpy as np

from tasks.core.registers import METRICS
from tasks.maths.arrays import NAN, FloatArray
from tasks.verdicts.asked import ALL, Measure

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping
    from datetime import date, datetime

    import duckdb

    from config.plan import DatedPlan
    from config.verdicts import VerdictSettings

#: A single workout says nothing across workouts.
FEWEST_WORKOUTS: Final = 2
#: Mean difference, its spread, and how many independent seconds it rests on.
PARTS_OF_LIMITS: Final = ("hr_bias_bpm", "hr_sd_bpm", "hr_effective_n")
#: Metrics by which failures are known.
LOCK_FAILED: Final = "hr_lock_failed_pct"
RISES_MISSED: Final = "hr_missed_rises_pct"
TRACK_FAILED: Final = "track_failed_pct"
FIRST_FIX: Final = "track_first_fix_s"
OF_FAILURES: Final = (LOCK_FAILED, RISES_MISSED, TRACK_FAILED, FIRST_FIX)
_OF_TRACKS: Final = "track_"
_ALL: Final = 100.0  # percent
AFTER_LOCK: Final = "after_lock"

#: A difference from a device that is no reference is no error: its workout has no value. What was
#: set aside counts for nothing.
_VALUES: Final = """
SELECT workout_id, latest_results.device_id, metric, segment, reference,
  CASE WHEN reference_kind IS DISTINCT FROM 'comparison' THEN value END
FROM latest_results JOIN workouts USING (workout_id)
WHERE segment IN ('all', 'after_lock') AND list_contains(?, metric)
  AND latest_results.is_excluded IS DISTINCT FROM true
ORDER BY workout_id, device_id, metric, segment, reference_rank, reference, value
"""
_WORKOUTS: Final = """
SELECT workout_id, start_utc, coalesce(activity, 'other'), surroundings,
  coalesce(local_offset_s, 0)
FROM workouts
ORDER BY start_utc, workout_id
"""

#: The values of one device and measure in one workout by their reference, the best one first.
ByReference = dict[str | None, float | None]
_Found = TypeVar("_Found")


@dataclass(frozen=True)
class Workout:
    """What is known of a workout besides its values."""

    start_utc: datetime | None
    activity: str
    surroundings: str | None
    local_offset_s: int = 0

    def lies_within(self, begin: date | None, end: date | None) -> bool:
        """Say whether its local day is none outside of a plan's; one without a start is inside."""
        if self.start_utc is None:
            return True
        day = (self.start_utc + timedelta(seconds=self.local_offset_s)).date()
        return (begin is None or day >= begin) and (end is None or day <= end)


@dataclass(frozen=True)
class Numbers:
    """One number per device, measure, workout and reference; the devices' roles, the workouts.

    `values` are as measured, `scores` as they are compared: without their sign where the best
    value is zero. `workouts` are in the order of time; `worn` holds those that a device recorded.
    """

    values: Mapping[tuple[str, Measure], Mapping[str, ByReference]]
    scores: Mapping[tuple[str, Measure], Mapping[str, ByReference]]
    workouts: Mapping[str, Workout]
    roles: Mapping[str, str]
    worn: Mapping[str, set[str]]

    def find(self, device_id: str, measure: Measure) -> Mapping[str, ByReference]:
        """Return the scores of one device and measure, by workout and reference."""
        return self.scores.get((device_id, measure), {})

    def split(self, found: Mapping[str, _Found]) -> Iterator[tuple[str, dict[str, _Found]]]:
        """Return the values by workout for each activity, and all of them where there are several.

        Activities with a single workout stand in the whole only.
        """
        by_activity: dict[str, dict[str, _Found]] = defaultdict(dict)
        for workout_id, one in sorted(found.items()):
            by_activity[self.workouts[workout_id].activity][workout_id] = one
        for activity, chosen in sorted(by_activity.items()):
            if len(chosen) >= FEWEST_WORKOUTS:
                yield activity, chosen
        if len(by_activity) > 1:
            yield ALL, dict(sorted(found.items()))

    def has_failed(self, device_id: str, measure: Measure, workout_id: str) -> bool:
        """Say whether a device failed, so that a value is lacking or tells of the better part.

        Heart rate that never locked has no time to lock and nothing after it; one that missed
        every rise has no delay; a device without a usable track outdoors fails in all that is
        asked of tracks.
        """
        metric, segment = measure
        if metric == "hr_lock_s" or segment == AFTER_LOCK:
            return self._reaches(device_id, LOCK_FAILED, workout_id)
        if metric == "hr_rise_delay_s":
            return self._reaches(device_id, RISES_MISSED, workout_id)
        if metric.startswith(_OF_TRACKS) and metric not in OF_FAILURES:
            return self._reaches(device_id, TRACK_FAILED, workout_id)
        return False

    def _reaches(self, device_id: str, metric: str, workout_id: str) -> bool:
        found = self.values.get((device_id, Measure(metric)), {}).get(workout_id, {})
        return (take_best(found) or 0.0) >= _ALL


def read_numbers(
    connection: duckdb.DuckDBPyConnection,
    settings: VerdictSettings,
    plan: DatedPlan | None = None,
) -> Numbers:
    """Read the newest values of the metrics that are asked about."""
    planned = plan.plan.margins if plan is not None else {}
    metrics = {*list_described(settings), *PARTS_OF_LIMITS, *OF_FAILURES, *planned}
    values: dict[tuple[str, Measure], dict[str, ByReference]] = defaultdict(
        lambda: defaultdict(dict)
    )
    worn: dict[str, set[str]] = defaultdict(set)
    rows = connection.execute(_VALUES, [sorted(metrics & METRICS.keys())]).fetchall()
    for workout_id, device_id, metric, segment, reference, value in rows:
        values[device_id, Measure(metric, segment)][workout_id][reference] = value
        worn[device_id].add(workout_id)
    roles = dict(connection.execute("SELECT device_id, role FROM devices").fetchall())
    workouts = {row[0]: Workout(*row[1:]) for row in connection.execute(_WORKOUTS).fetchall()}
    counting_size = {one for one in metrics & METRICS.keys() if METRICS[one].better == "zero"}
    return make_numbers(values, workouts, roles, worn, counting_size=counting_size)


def make_numbers(
    values: Mapping[tuple[str, Measure], Mapping[str, ByReference]],
    workouts: Mapping[str, Workout],
    roles: Mapping[str, str],
    worn: Mapping[str, set[str]],
    *,
    counting_size: Collection[str],
) -> Numbers:
    """Return numbers from the values as measured; of `counting_size` the size is compared."""
    whole = {**values, **_complete_failures(values, workouts)}
    scores = {
        one: _take_sizes(by_workout) if one[1].metric in counting_size else by_workout
        for one, by_workout in whole.items()
    }
    return Numbers(whole, scores, workouts, roles, worn)


def _complete_failures(
    values: Mapping[tuple[str, Measure], Mapping[str, ByReference]],
    workouts: Mapping[str, Workout],
) -> dict[tuple[str, Measure], dict[str, ByReference]]:
    """Return what no workout tells by itself: a device that has fixes elsewhere had none outdoors.

    A recording without positions may be of a device that has no receiver at all.
    """
    completed = {}
    for (device_id, measure), fixes in values.items():
        if measure != (FIRST_FIX, ALL) or not any(map(_has_value, fixes.values())):
            continue
        key = device_id, Measure(TRACK_FAILED)
        found = dict(values.get(key, {}))
        for workout_id, by_reference in fixes.items():
            workout = workouts.get(workout_id)
            is_outdoors = workout is not None and workout.surroundings == "outdoors"
            if is_outdoors and not _has_value(by_reference):
                found[workout_id] = {None: _ALL}
        completed[key] = found
    return completed


def _has_value(by_reference: ByReference) -> bool:
    return take_best(by_reference) is not None


def _take_sizes(by_workout: Mapping[str, ByReference]) -> dict[str, ByReference]:
    """Return the numbers that are compared where the best value is zero: sizes."""
    return {
        workout_id: {
            reference: None if value is None else abs(value)
            for reference, value in by_reference.items()
        }
        for workout_id, by_reference in by_workout.items()
    }


def name_score(metric: str) -> str:
    """Say which number of a workout is compared."""
    return "size of the value" if METRICS[metric].better == "zero" else "value"


def list_compared(settings: VerdictSettings) -> list[tuple[str, float]]:
    """Return the metrics that devices and conditions are compared by, with their margins."""
    return [
        (metric, margin)
        for metric, margin in sorted(settings.margins.items())
        if margin > 0 and metric in METRICS and METRICS[metric].better != "none"
    ]


def list_described(settings: VerdictSettings) -> list[str]:
    """Return the metrics whose levels are given: those with a margin, of 0 too, or a criterion."""
    named = {*settings.margins, *(criterion.metric for criterion in settings.criteria)}
    return sorted(metric for metric in named if metric in METRICS)


def list_measures(metric: str) -> tuple[Measure, ...]:
    """Return the segments in which a metric is asked about, the one that is judged first."""
    judged = METRICS[metric].judged_in
    return (Measure(metric, judged), *([Measure(metric)] if judged != ALL else []))


def find_good_sign(metric: str) -> int:
    """Return the sign of a difference of two numbers when the first is the better one."""
    return 1 if METRICS[metric].better == "higher" else -1


def take_best(
    by_reference: Mapping[str | None, float | None], *, judged: Collection[str] = ()
) -> float | None:
    """Return the value against the best reference that has one, none of `judged`."""
    return next(
        (
            value
            for reference, value in by_reference.items()
            if value is not None and reference not in judged
        ),
        None,
    )


class Pair(NamedTuple):
    """Two devices' values of one workout; NaN where a device failed.

    `reference` is what both were compared with, None where one of them failed.
    """

    own: float
    other: float
    failed_own: bool = False
    failed_other: bool = False
    reference: str | None = None

    @property
    def has_failure(self) -> bool:
        """Whether one of the two failed."""
        return self.failed_own or self.failed_other


def take_common(own: ByReference, others: ByReference, *, judged: set[str]) -> Pair | None:
    """Return both values against the best reference that they share, none of `judged`."""
    for reference, value in own.items():
        other = others.get(reference)
        if value is not None and other is not None and reference not in judged:
            return Pair(value, other, reference=reference)
    return None


def name_kind(reference: str | None) -> str:
    """Return what kind of reference a name stands for: errors against two kinds are not alike."""
    if reference in {"truth", "consensus"}:
        return str(reference)
    return "course" if (reference or "").startswith("course:") else "device"


def compute_spread(values: FloatArray) -> float:
    """Return the standard deviation of values ``(n,)``; NaN for fewer than two."""
    return float(np.std(values, ddof=1)) if values.size >= FEWEST_WORKOUTS else NAN
