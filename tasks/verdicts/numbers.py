"""One number per workout: what the questions across workouts are answered from."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, TypeVar

import numpy as np

from tasks.core.registers import METRICS
from tasks.maths.arrays import NAN, FloatArray

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    import duckdb

    from config.verdicts import VerdictSettings

ALL_ACTIVITIES: Final = "all"
#: A single workout says nothing across workouts.
FEWEST_WORKOUTS: Final = 2
#: Mean difference, its spread, and how many independent seconds it rests on.
PARTS_OF_LIMITS: Final = ("hr_bias_bpm", "hr_sd_bpm", "hr_effective_n")

#: A difference from a device that is no reference is no error: its workout has no value.
_VALUES: Final = """
SELECT workout_id, latest_results.device_id, metric, reference,
  CASE WHEN reference_kind IS DISTINCT FROM 'comparison' THEN value END,
  coalesce(activity, 'other')
FROM latest_results JOIN workouts USING (workout_id)
WHERE segment = 'all' AND list_contains(?, metric)
ORDER BY workout_id, device_id, metric, reference_rank, reference, value
"""

#: The values of one device and metric in one workout by their reference, the best one first.
ByReference = dict[str | None, float | None]
_Found = TypeVar("_Found")


@dataclass(frozen=True)
class Numbers:
    """One number per device, metric, workout and reference; the devices' roles, the activities.

    `values` are as measured, `scores` as they are compared: without their sign where the best
    value is zero.
    """

    values: Mapping[tuple[str, str], Mapping[str, ByReference]]
    scores: Mapping[tuple[str, str], Mapping[str, ByReference]]
    activities: Mapping[str, str]
    roles: Mapping[str, str]

    def find(self, device_id: str, metric: str) -> Mapping[str, ByReference]:
        """Return the scores of one device and metric, by workout and reference."""
        return self.scores.get((device_id, metric), {})

    def split(self, found: Mapping[str, _Found]) -> Iterator[tuple[str, dict[str, _Found]]]:
        """Return the values by workout for each activity, and all of them where there are several.

        Activities with a single workout stand in the whole only.
        """
        by_activity: dict[str, dict[str, _Found]] = defaultdict(dict)
        for workout_id, one in sorted(found.items()):
            by_activity[self.activities[workout_id]][workout_id] = one
        for activity, chosen in sorted(by_activity.items()):
            if len(chosen) >= FEWEST_WORKOUTS:
                yield activity, chosen
        if len(by_activity) > 1:
            yield ALL_ACTIVITIES, dict(sorted(found.items()))


def read_numbers(connection: duckdb.DuckDBPyConnection, settings: VerdictSettings) -> Numbers:
    """Read the newest values of the whole workouts, of the metrics that are asked about."""
    metrics = {*list_described(settings), *PARTS_OF_LIMITS}
    values: dict[tuple[str, str], dict[str, ByReference]] = defaultdict(lambda: defaultdict(dict))
    activities: dict[str, str] = {}
    rows = connection.execute(_VALUES, [sorted(metrics & METRICS.keys())]).fetchall()
    for workout_id, device_id, metric, reference, value, activity in rows:
        values[device_id, metric][workout_id][reference] = value
        activities[workout_id] = activity
    scores = {one: _score(one[1], by_workout) for one, by_workout in values.items()}
    roles = dict(connection.execute("SELECT device_id, role FROM devices").fetchall())
    return Numbers(values, scores, activities, roles)


def _score(metric: str, values: Mapping[str, ByReference]) -> Mapping[str, ByReference]:
    if METRICS[metric].better != "zero":
        return values
    return {
        workout_id: {
            reference: None if value is None else abs(value)
            for reference, value in by_reference.items()
        }
        for workout_id, by_reference in values.items()
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


def find_good_sign(metric: str) -> int:
    """Return the sign of a difference of two numbers when the first is the better one."""
    return 1 if METRICS[metric].better == "higher" else -1


def take_best(by_reference: ByReference) -> float | None:
    """Return the value against the best reference that has one."""
    return next((value for value in by_reference.values() if value is not None), None)


@dataclass(frozen=True)
class Common:
    """Two devices' values of one workout, and the reference that both were compared with."""

    own: float
    other: float
    reference: str | None


def take_common(own: ByReference, others: ByReference, *, judged: set[str]) -> Common | None:
    """Return both values against the best reference that they share, none of `judged`."""
    for reference, value in own.items():
        other = others.get(reference)
        if value is not None and other is not None and reference not in judged:
            return Common(value, other, reference)
    return None


def name_kind(reference: str | None) -> str:
    """Return what kind of reference a name stands for: errors against two kinds are not alike."""
    if reference in {"truth", "consensus"}:
        return str(reference)
    return "course" if (reference or "").startswith("course:") else "device"


def compute_spread(values: FloatArray) -> float:
    """Return the standard deviation of values ``(n,)``; NaN for fewer than two."""
    return float(np.std(values, ddof=1)) if values.size >= FEWEST_WORKOUTS else NAN
