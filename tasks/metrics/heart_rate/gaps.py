"""Dropouts and frozen stretches of the device's heart rate."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Finding, Value, finding, metric, unknown
from tasks.maths.runs import Run, find_frozen_runs, find_runs, mark_runs
from tasks.maths.smoothing import compute_running_mean
from tasks.metrics.heart_rate.compared import compare_heart_rates, get_series, name_comparison
from tasks.metrics.heart_rate.reference import HEART_RATE, mark_silent_samples

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray, FloatArray
    from tasks.workout.case import Case

_SMOOTH_S: Final = 5
_LATE_S: Final = 15
_NO_VALUE: Final = "this recording holds no heart rate"
#: 12 s without value, then 40 s of one value while the reference climbs by 20 bpm.
_FAILING: Final = {
    "test": {HEART_RATE: [100] * 10 + [None] * 12 + [101, 102] * 5 + [103] * 40 + [120, 121]},
    "reference": {HEART_RATE: [100] * 32 + [100 + 0.5 * second for second in range(42)]},
}


@metric(
    "heart_rate",
    title="Dropouts",
    unit="1",
    definition="Number of intervals after the first heart rate that have no value, or one frozen "
    "value while the reference moved; those shorter than the limits do not count",
    formula="intervals of at least dropout_s without value (half of it where samples went on) "
    "plus intervals of at least frozen_s at one value while the reference moved by "
    "frozen_reference_bpm, in them and in the same intervals up to 15 s earlier, since a device "
    "that is only late stays at one value, too",
    version=2,
    better="lower",
    source="common practice, no source",
    examples=(
        Example(_FAILING, 2.0, "by hand: one without value, one frozen"),
        Example(
            {"test": {HEART_RATE: [100, 101]}, "reference": {HEART_RATE: [100, 100]}}, 0.0, "none"
        ),
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    minimum_n=0,
)
def hr_dropouts(case: Case) -> Value:
    """Return the number of dropouts that begin in the case's seconds."""
    if not case.test.has(HEART_RATE):
        return unknown(_NO_VALUE)
    runs = (*find_missing_runs(case), *find_frozen_stretches(case))
    count = sum(bool(case.segment.mask[run.start]) for run in runs)
    return compare_heart_rates(case).make_value(float(count))


@metric(
    "heart_rate",
    title="Time in dropouts",
    unit="s",
    definition="Time after the first heart rate without a value, or with one frozen value while "
    "the reference moved",
    formula="summed length of the dropouts",
    version=2,
    better="lower",
    source="common practice, no source",
    examples=(
        Example(_FAILING, 52.0, "by hand: 12 s without value, 40 s frozen"),
        Example(
            {"test": {HEART_RATE: [100, 101]}, "reference": {HEART_RATE: [100, 100]}}, 0.0, "none"
        ),
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    minimum_n=0,
    level="compared",
)
def hr_dropout_s(case: Case) -> Value:
    """Return the time in dropouts inside the case's seconds [s]."""
    if not case.test.has(HEART_RATE):
        return unknown(_NO_VALUE)
    return compare_heart_rates(case).make_value(float(mark_dropouts(case).sum()))


def mark_dropouts(case: Case) -> BoolArray:
    """Mark the case's seconds that lie in dropouts."""
    runs = (*find_missing_runs(case), *find_frozen_stretches(case))
    inside: BoolArray = mark_runs(runs, case.segment.mask.size) & case.segment.mask
    return inside


@finding(
    "dropout",
    domain="heart_rate",
    title="Heart-rate dropout",
    unit="s",
    definition="No heart rate for at least dropout_s, or half of that while the device went on "
    "recording samples; the size is its length",
    source="common practice, no source",
    needs=(HEART_RATE,),
)
def find_dropouts(case: Case) -> list[Finding]:
    """Return the stretches without heart rate."""
    start_s = case.workout.grid.start_s
    return [
        Finding(start_s + run.start, start_s + run.end, float(run.length))
        for run in find_missing_runs(case)
    ]


@finding(
    "frozen",
    domain="heart_rate",
    title="Frozen heart rate",
    unit="s",
    definition="One value for at least frozen_s while the reference moved by at least "
    "frozen_reference_bpm, also for a device that is up to 15 s late; the size is its length",
    version=2,
    source="common practice, no source",
    against="heart_rate",
    needs=(HEART_RATE,),
)
def find_frozen(case: Case) -> list[Finding]:
    """Return the frozen stretches."""
    start_s = case.workout.grid.start_s
    test = get_series(case).test
    return [
        Finding(
            start_s + run.start,
            start_s + run.end,
            float(run.length),
            f"stays at {test[run.start]:.0f} bpm",
        )
        for run in find_frozen_stretches(case)
    ]


def find_missing_runs(case: Case) -> tuple[Run, ...]:
    """Return the dropouts of the test over its whole recording, pauses apart."""
    key = f"heart_rate:missing:{case.test.recording_id}"
    return case.once_per_workout(key, lambda: _find_missing_runs(case))


def _find_missing_runs(case: Case) -> tuple[Run, ...]:
    values = case.test.values(HEART_RATE)
    present = np.flatnonzero(np.isfinite(values))
    if not present.size:
        return ()
    expected = case.test.covered & ~case.test.paused
    expected[: present[0]] = False
    limit = case.settings.heart_rate.dropout_s
    silent = mark_silent_samples(case, case.test)
    return tuple(
        run
        for run in find_runs(expected & np.isnan(values))
        if run.length >= limit or (run.length >= limit / 2 and silent[run.start : run.end].any())
    )


def find_frozen_stretches(case: Case) -> tuple[Run, ...]:
    """Return the frozen stretches of the test against the reference of the case."""
    key = f"heart_rate:frozen:{name_comparison(case)}"
    return case.once_per_workout(key, lambda: _find_frozen_stretches(case))


def _find_frozen_stretches(case: Case) -> tuple[Run, ...]:
    limits = case.settings.heart_rate
    series = get_series(case)
    smooth = compute_running_mean(series.reference, width=_SMOOTH_S)
    return tuple(
        run
        for run in find_frozen_runs(series.test, shortest=round(limits.frozen_s))
        if _measure_movement(smooth, run) >= limits.frozen_reference_bpm
    )


def _measure_movement(reference: FloatArray, run: Run) -> float:
    """Return how far the reference moves in a run, at that lateness that leaves least of it.

    A device that is late still shows its plateau when the reference has left it already.
    """
    moved = []
    for late in range(_LATE_S + 1):
        inside = reference[max(run.start - late, 0) : max(run.end - late, 0)]
        inside = inside[np.isfinite(inside)]
        moved.append(float(np.ptp(inside)) if inside.size else 0.0)
    return min(moved)
