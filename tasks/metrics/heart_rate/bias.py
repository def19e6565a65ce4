"""Stretches in which heart rate stays off to one side."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Finding, Value, finding, metric
from tasks.maths.change_points import find_shifted_stretches
from tasks.maths.runs import Run, mark_runs
from tasks.metrics.heart_rate.compared import compare_heart_rates, get_series, name_comparison
from tasks.metrics.heart_rate.lock import find_lock
from tasks.metrics.heart_rate.reference import HEART_RATE

if TYPE_CHECKING:
    from tasks.workout.case import Case

_SOURCE: Final = "common practice, no source; ends by least squares, Hinkley 1970, Biometrika 57:1"


@metric(
    "heart_rate",
    title="Time in biased intervals",
    unit="s",
    version=2,
    definition="Time in intervals of at least biased_s in which the error, smoothed over "
    "biased_window_s, stays beyond biased_bpm to one side; time before the lock does not count",
    formula="summed length of the biased intervals",
    better="lower",
    source=_SOURCE,
    examples=(
        Example(
            {
                "test": {HEART_RATE: [120] * 120 + [132] * 90 + [120] * 120},
                "reference": {HEART_RATE: [120, 121] * 165},
            },
            90.0,
            "by hand: 90 s of +12 bpm",
        ),
        Example(
            {
                "test": {HEART_RATE: [120] * 120 + [132] * 10 + [120] * 120},
                "reference": {HEART_RATE: [120, 121] * 125},
            },
            0.0,
            "by hand: 10 s are too short",
        ),
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_biased_s(case: Case) -> Value:
    """Return the biased time inside the case's seconds [s]."""
    inside = mark_runs(find_biased_runs(case), case.segment.mask.size) & case.segment.mask
    return compare_heart_rates(case).give(float(inside.sum()))


@finding(
    "biased_stretch",
    domain="heart_rate",
    title="Biased interval",
    unit="bpm",
    definition="The error, smoothed over biased_window_s, stays beyond biased_bpm to one side for "
    "at least biased_s, after the lock; the size is its mean error",
    source=_SOURCE,
    against="heart_rate",
    needs=(HEART_RATE,),
)
def find_biased_stretches(case: Case) -> list[Finding]:
    """Return the biased stretches."""
    start_s = case.workout.grid.start_s
    error = get_series(case).error
    return [
        Finding(
            start_s + run.start,
            start_s + run.end,
            float(np.nanmean(error[run.start : run.end])),
        )
        for run in find_biased_runs(case)
    ]


def find_biased_runs(case: Case) -> tuple[Run, ...]:
    """Return the biased stretches of the whole comparison, without what lies before the lock."""
    key = f"heart_rate:biased:{name_comparison(case)}"
    return case.once_per_workout(key, lambda: _find_biased_runs(case))


def _find_biased_runs(case: Case) -> tuple[Run, ...]:
    limits = case.settings.heart_rate
    runs = find_shifted_stretches(
        get_series(case).error,
        limit=limits.biased_bpm,
        shortest=round(limits.biased_s),
        window=round(limits.biased_window_s),
    )
    _, locked = find_lock(case)
    if locked is None:
        return runs
    later = (Run(max(run.start, locked), run.end) for run in runs)
    return tuple(run for run in later if run.length >= round(limits.biased_s))
