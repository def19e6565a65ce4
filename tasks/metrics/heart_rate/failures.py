"""Workouts in which heart rate failed: 100 where it did, 0 where not, so that a mean is a rate."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Value, metric, unknown
from tasks.metrics.heart_rate.compared import compare_heart_rates
from tasks.metrics.heart_rate.gaps import mark_dropouts
from tasks.metrics.heart_rate.lock import find_lock
from tasks.metrics.heart_rate.reference import HEART_RATE

if TYPE_CHECKING:
    from tasks.workout.case import Case

_FAILED: Final = 100.0
_SOURCE: Final = "common practice, no source"
_FAR_OFF: Final = {"test": {HEART_RATE: [80] * 40}, "reference": {HEART_RATE: [120] * 40}}
_EQUAL: Final = {"test": {HEART_RATE: [120] * 40}, "reference": {HEART_RATE: [120] * 40}}


@metric(
    "heart_rate",
    title="Never locked",
    unit="%",
    definition="100 where heart rate never locks in the workout, else 0, so that the mean over "
    "workouts is the share that failed; does not tell how far off it was",
    formula="100 if there is no lock (hr_lock_s), else 0",
    better="lower",
    source=_SOURCE,
    examples=(
        Example(_FAR_OFF, 100.0, "by hand: 40 bpm too low throughout"),
        Example(_EQUAL, 0.0, "by hand: right from the first second"),
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    whole_only=True,
    level="primary",
)
def hr_lock_failed_pct(case: Case) -> Value:
    """Return 100 where heart rate never locks, else 0 [%]."""
    compared = compare_heart_rates(case)
    begin, locked = find_lock(case)
    if begin is None:
        return compared.decline("the device records in no second with a reference heart rate")
    return compared.make_value(_FAILED if locked is None else 0.0)


@metric(
    "heart_rate",
    title="Far off",
    unit="%",
    definition="100 where the mean absolute error of the whole workout is above failed_mae_bpm, "
    "else 0, so that the mean over workouts is the share that failed; an error just below the "
    "limit counts like none",
    formula="100 if hr_mae_bpm > failed_mae_bpm, else 0",
    better="lower",
    source=_SOURCE,
    examples=(
        Example(_FAR_OFF, 100.0, "by hand: 40 bpm, limit 10"),
        Example(_EQUAL, 0.0, "by hand: no error"),
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    whole_only=True,
    level="compared",
)
def hr_mae_failed_pct(case: Case) -> Value:
    """Return 100 where the mean absolute error is above the limit, else 0 [%]."""
    compared = compare_heart_rates(case)
    if not compared.n:
        return compared.decline("no second has both heart rates")
    is_far_off = np.abs(compared.error).mean() > case.settings.heart_rate.failed_mae_bpm
    return compared.make_value(_FAILED if is_far_off else 0.0)


@metric(
    "heart_rate",
    title="Often without heart rate",
    unit="%",
    definition="100 where dropouts take more than failed_dropout_pct of the workout, else 0, so "
    "that the mean over workouts is the share that failed; does not tell when they happened",
    formula="100 if 100 * hr_dropout_s / seconds of the workout > failed_dropout_pct, else 0",
    better="lower",
    source=_SOURCE,
    examples=(
        Example(
            {
                "test": {HEART_RATE: [120] * 10 + [None] * 20 + [120] * 70},
                "reference": {HEART_RATE: [120] * 100},
            },
            100.0,
            "by hand: 20 of 100 s without value",
        ),
        Example(_EQUAL, 0.0, "by hand: no dropout"),
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    minimum_n=0,
    whole_only=True,
    level="compared",
)
def hr_dropout_failed_pct(case: Case) -> Value:
    """Return 100 where dropouts take more than the limit, else 0 [%]."""
    if not case.test.has(HEART_RATE):
        return unknown("the device recorded no heart rate")
    seconds = int(case.segment.mask.sum())
    if not seconds:
        return unknown("the workout has no second")
    share_pct = 100.0 * mark_dropouts(case).sum() / seconds
    is_often = share_pct > case.settings.heart_rate.failed_dropout_pct
    return compare_heart_rates(case).make_value(_FAILED if is_often else 0.0)
