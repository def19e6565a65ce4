"""Heart rate that is locked to the steps or strokes instead of the heart."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Finding, Value, finding, metric
from tasks.maths.runs import Run, find_runs, mark_runs
from tasks.maths.smoothing import compute_running_mean
from tasks.metrics.heart_rate.compared import (
    compare_heart_rates,
    describe_errors,
    get_series,
    name_comparison,
)
from tasks.metrics.heart_rate.constant_bias import find_constant_bias
from tasks.metrics.heart_rate.reference import HEART_RATE

if TYPE_CHECKING:
    from collections.abc import Iterable

    from tasks.maths.arrays import BoolArray, FloatArray
    from tasks.workout.case import Case

CADENCE: Final = "cadence_rpm"
#: Devices count one foot or both; sensors lock to either, or to every second step.
_MULTIPLES: Final = (0.5, 1.0, 2.0)
_SMOOTH_S: Final = 5
_BRIDGE_S: Final = 3
#: Cadence is compared with itself rolled by this and more [s], at up to so many shifts, at least
#: these apart [s]; the share of them that may do as well as no shift is the level of the test.
_FIRST_SHIFT_S: Final = 60
_SHIFTS: Final = 99
_SHIFT_STEP_S: Final = 5
_LEVEL: Final = 0.05
#: Short shifts [s] tell a lock from a value near the cadence of that effort; none may be as
#: near. Devices follow cadence by a few seconds.
_LOCAL_SHIFTS_S: Final = (*range(-60, -10, 5), *range(15, 65, 5))
_LOCAL_AS_NEAR: Final = 0
_AT_LIMIT_BPM: Final = 1e-6
_NO_CADENCE: Final = "no device of this workout recorded cadence"
_SOURCE: Final = "common practice; motion as the cause: Bent et al. 2020, npj Digital Medicine 3:18"
#: 75 strides a minute, 85 for the 40 s from second 300.
_CHANGING: Final = [75] * 300 + [85] * 40 + [75] * 260


@metric(
    "heart_rate",
    title="Time in cadence lock",
    unit="s",
    definition="Time in intervals of at least cadence_hold_s in which heart rate is within "
    "cadence_within_bpm of cadence, its half or its double, and at least cadence_off_bpm off the "
    "reference without a constant bias, if it is nearer than to the cadence of other times of the "
    "workout; with a cadence that hardly changes, chance and lock cannot be told apart, and the "
    "note says so",
    formula="summed length of the intervals; 0 where 5 % or more of up to 99 rolls of the cadence "
    "in time by 60 s or more, or one of 20 rolls by 15 to 60 s, give a sum of "
    "(cadence_within_bpm - distance) as large",
    better="lower",
    version=2,
    source=_SOURCE,
    examples=(
        Example(
            {
                "test": {HEART_RATE: [130] * 300 + [171] * 40 + [130] * 260, CADENCE: _CHANGING},
                "reference": {HEART_RATE: [130] * 600},
            },
            36.0,
            "by hand: 171 bpm at 85 strides (170 steps) a minute, reference 130, else 75 strides; "
            "cadence smoothed over 5 s is 170 in the middle 36 s",
        ),
        Example(
            {
                "test": {HEART_RATE: [130] * 300 + [171] * 40 + [130] * 260, CADENCE: [85] * 600},
                "reference": {HEART_RATE: [130] * 600},
            },
            0.0,
            "by hand: cadence is the same at all times, which tells nothing",
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
    size, mask = case.segment.mask.size, case.segment.mask
    value = compared.make_value(float((mark_runs(find_locked_runs(case), size) & mask).sum()))
    near = int((mark_runs(find_near_runs(case), size) & mask).sum())
    if value.value or not near:
        return value
    return replace(
        value, reason=f"{near} s near cadence, its half or its double, which may be chance"
    )


@finding(
    "cadence_lock",
    domain="heart_rate",
    title="Cadence lock",
    unit="bpm",
    definition="Heart rate follows cadence, its half or its double for at least cadence_hold_s "
    "while it is cadence_off_bpm or more off the reference, nearer than to the cadence of other "
    "times of the workout; the size is the mean error",
    version=2,
    source=_SOURCE,
    against="heart_rate",
    needs=(HEART_RATE,),
)
def find_cadence_locks(case: Case) -> list[Finding]:
    """Return the cadence locks."""
    return describe_errors(case, find_locked_runs(case))


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
    cadence = find_cadence(case)
    if cadence is None:
        return np.zeros(case.segment.mask.size, dtype=np.bool_)
    return _mark_near(case, cadence)


def _mark_near(case: Case, cadence: FloatArray) -> BoolArray:
    marked: BoolArray = _measure_nearness(case, cadence) > 0
    return marked


def _measure_nearness(case: Case, cadence: FloatArray) -> FloatArray:
    """Return how near cadence is, 0 where it is not near or heart rate is right [bpm].

    A constant bias is no lock: only what is left of the error without it counts.
    """
    limits = case.settings.heart_rate
    series = get_series(case)
    away = np.full(series.test.size, np.inf)
    for multiple in _MULTIPLES:
        away = np.fmin(away, np.abs(series.test - multiple * cadence))
    error = series.error - (find_constant_bias(case) or 0.0)
    with np.errstate(invalid="ignore"):
        is_off = (cadence > 0) & (np.abs(error) >= limits.cadence_off_bpm)
    # Exactly at the limit is near.
    nearness = np.clip(limits.cadence_within_bpm - away, 0.0, None) + _AT_LIMIT_BPM
    return np.where(is_off & (away <= limits.cadence_within_bpm), nearness, 0.0)


def find_near_runs(case: Case) -> tuple[Run, ...]:
    """Return where heart rate stays near cadence and far from the reference, chance or not."""
    key = f"heart_rate:near-cadence:{name_comparison(case)}"
    return case.once_per_workout(key, lambda: _find_runs(case, mark_near_cadence(case)))


def find_locked_runs(case: Case) -> tuple[Run, ...]:
    """Return the cadence locks of the whole comparison: near cadence for longer than by chance."""
    key = f"heart_rate:cadence:{name_comparison(case)}"
    return case.once_per_workout(key, lambda: _find_locked_runs(case))


def _find_runs(case: Case, marked: BoolArray) -> tuple[Run, ...]:
    shortest = round(case.settings.heart_rate.cadence_hold_s)
    return find_runs(marked, shortest=shortest, bridge=_BRIDGE_S)


def _find_locked_runs(case: Case) -> tuple[Run, ...]:
    """Keep the near runs if cadence rolled in time seldom gives as long ones.

    A permutation test of the summed nearness: the rolled cadence has the same values and the same
    memory, and nothing to do with the heart rate of the moment.
    """
    cadence = find_cadence(case)
    if cadence is None:
        return ()
    runs = tuple(run for run in find_near_runs(case) if _follows_cadence(case, cadence, run))
    if not runs:
        return ()
    counted = np.flatnonzero(np.isfinite(cadence) & (cadence > 0))
    step = max(_SHIFT_STEP_S, (counted.size - 2 * _FIRST_SHIFT_S) // _SHIFTS)
    observed = _sum_nearness(case, cadence)

    def count_as_near(shifts: Iterable[int]) -> int:
        count = 0
        for shift in shifts:
            rolled = cadence.copy()
            rolled[counted] = np.roll(cadence[counted], shift)
            count += _sum_nearness(case, rolled) >= observed
        return count

    # A value that only lies near the cadence of that effort is as near to it half a minute later.
    if count_as_near(_LOCAL_SHIFTS_S) > _LOCAL_AS_NEAR:
        return ()
    remote = range(_FIRST_SHIFT_S, counted.size - _FIRST_SHIFT_S, step)
    return runs if (1 + count_as_near(remote)) / (len(remote) + 1) <= _LEVEL else ()


def _follows_cadence(case: Case, cadence: FloatArray, run: Run) -> bool:
    """Say whether heart rate moves with the cadence in a run rather than with the reference."""
    part = slice(run.start, run.end)
    series = get_series(case)
    beside_heart = float(np.nanstd(series.error[part]))
    beside_cadence = min(
        float(np.nanstd(series.test[part] - multiple * cadence[part])) for multiple in _MULTIPLES
    )
    return beside_cadence <= beside_heart


def _sum_nearness(case: Case, cadence: FloatArray) -> float:
    """Return the nearness summed over the stretches that are long enough."""
    nearness = _measure_nearness(case, cadence)
    return sum(float(nearness[run.start : run.end].sum()) for run in _find_runs(case, nearness > 0))
