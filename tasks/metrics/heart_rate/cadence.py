"""Heart rate that is locked to the steps or strokes instead of the heart."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Finding, Value, finding, metric
from tasks.maths.runs import Run, find_runs, mark_runs
from tasks.maths.smoothing import compute_running_mean
from tasks.metrics.heart_rate.compared import compare_heart_rates, get_series, name_comparison
from tasks.metrics.heart_rate.reference import HEART_RATE

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray, FloatArray
    from tasks.workout.case import Case

CADENCE: Final = "cadence_rpm"
#: Devices count one foot or both; sensors lock to either, or to every second step.
_MULTIPLES: Final = (0.5, 1.0, 2.0)
_SMOOTH_S: Final = 5
_BRIDGE_S: Final = 3
_NO_CADENCE: Final = "no device of this workout recorded cadence"
_SOURCE: Final = "common practice; motion as the cause: Bent et al. 2020, npj Digital Medicine 3:18"


@metric(
    "heart_rate",
    title="Time in cadence lock",
    unit="s",
    definition="Time in intervals of at least cadence_hold_s in which heart rate is within "
    "cadence_within_bpm of cadence, its half or its double, and at least cadence_off_bpm off the "
    "reference; a coincidence that lasts as long counts too",
    formula="summed length of the intervals",
    better="lower",
    source=_SOURCE,
    examples=(
        Example(
            {
                "test": {HEART_RATE: [130] * 30 + [171] * 40 + [130] * 30, CADENCE: [85] * 100},
                "reference": {HEART_RATE: [130] * 100},
            },
            40.0,
            "by hand: 171 bpm at 85 strides (170 steps) a minute, reference 130",
        ),
        Example(
            {
                "test": {HEART_RATE: [170] * 100, CADENCE: [85] * 100},
                "reference": {HEART_RATE: [168] * 100},
            },
            0.0,
            "by hand: the heart really beats that fast",
        ),
        Example(
            {"test": {HEART_RATE: [170] * 30}, "reference": {HEART_RATE: [130] * 30}},
            None,
            "no cadence",
        ),
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_cadence_lock_s(case: Case) -> Value:
    """Return the time in cadence lock inside the case's seconds [s]."""
    compared = compare_heart_rates(case)
    if find_cadence(case) is None:
        return compared.decline(_NO_CADENCE)
    inside = mark_runs(find_locked_runs(case), case.segment.mask.size) & case.segment.mask
    return compared.give(float(inside.sum()))


@finding(
    "cadence_lock",
    domain="heart_rate",
    title="Cadence lock",
    unit="bpm",
    definition="Heart rate follows cadence, its half or its double for at least cadence_hold_s "
    "while it is cadence_off_bpm or more off the reference; the size is the mean error",
    source=_SOURCE,
    against="heart_rate",
    needs=(HEART_RATE,),
)
def find_cadence_locks(case: Case) -> list[Finding]:
    """Return the cadence locks."""
    start_s = case.workout.grid.start_s
    error = get_series(case).error
    return [
        Finding(
            start_s + run.start,
            start_s + run.end,
            float(np.nanmean(error[run.start : run.end])),
        )
        for run in find_locked_runs(case)
    ]


def find_cadence(case: Case) -> FloatArray | None:
    """Return the cadence that the test's heart rate could lock to, per grid second.

    The test's own, else the median of the other devices; None where nobody recorded any.
    """
    if case.test.has(CADENCE):
        return compute_running_mean(case.test.values(CADENCE), width=_SMOOTH_S)
    others = [other.values(CADENCE) for other in case.others if other.has(CADENCE)]
    if not others:
        return None
    stacked = np.vstack(others)
    known = np.isfinite(stacked).any(axis=0)
    median = np.full(stacked.shape[1], np.nan)
    median[known] = np.nanmedian(stacked[:, known], axis=0)
    return compute_running_mean(median, width=_SMOOTH_S)


def mark_near_cadence(case: Case) -> BoolArray:
    """Mark the seconds in which the test is near cadence and far from the reference."""
    limits = case.settings.heart_rate
    series = get_series(case)
    cadence = find_cadence(case)
    if cadence is None:
        return np.zeros(series.test.size, dtype=np.bool_)
    with np.errstate(invalid="ignore"):
        near = np.zeros(series.test.size, dtype=np.bool_)
        for multiple in _MULTIPLES:
            near |= np.abs(series.test - multiple * cadence) <= limits.cadence_within_bpm
        marked: BoolArray = near & (cadence > 0) & (np.abs(series.error) >= limits.cadence_off_bpm)
    return marked


def find_locked_runs(case: Case) -> tuple[Run, ...]:
    """Return the cadence locks of the whole comparison."""
    key = f"heart_rate:cadence:{name_comparison(case)}"
    return case.once_per_workout(
        key,
        lambda: find_runs(
            mark_near_cadence(case),
            shortest=round(case.settings.heart_rate.cadence_hold_s),
            bridge=_BRIDGE_S,
        ),
    )
