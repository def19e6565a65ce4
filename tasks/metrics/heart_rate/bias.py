"""Stretches in which heart rate stays off to one side."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Value, metric
from tasks.maths.change_points import (
    estimate_slow_spread,
    find_shifted_stretches,
    is_shifted,
)
from tasks.maths.runs import Run, mark_runs
from tasks.metrics.heart_rate.compared import compare_heart_rates, get_series, name_comparison
from tasks.metrics.heart_rate.constant_bias import find_constant_bias
from tasks.metrics.heart_rate.lock import find_late_run, find_lock
from tasks.metrics.heart_rate.reference import HEART_RATE

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray
    from tasks.workout.case import Case

BIAS_SOURCE: Final = (
    "common practice, no source; ends by least squares, Hinkley 1970, Biometrika 57:1"
)
#: Stretches less than this apart are one [s]; so many SD of smoothed errors are no scatter.
_BRIDGE_S: Final = 30
SPREADS: Final = 3.5
#: A bias that begins so long before a rise is no missed rise [s].
_EARLY_S: Final = 10


@metric(
    "heart_rate",
    title="Time in biased intervals",
    unit="s",
    version=3,
    definition="Time in intervals of at least biased_s in which the error, smoothed over "
    f"biased_window_s, stays beyond biased_bpm, and beyond {SPREADS:g} times its usual scatter, "
    "to one side; time before the lock does not count; whatever the cause",
    formula="summed length of the biased intervals; the scatter is 1.4826 median |m(t + 2 w) - "
    "m(t)| / sqrt(2), m being the smoothed error and w biased_window_s; intervals less than "
    f"{_BRIDGE_S:g} s apart are one",
    better="lower",
    source=BIAS_SOURCE,
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
    return compare_heart_rates(case).make_value(float(inside.sum()))


def find_biased_runs(case: Case) -> tuple[Run, ...]:
    """Return the biased stretches of the whole comparison, without what lies before the lock."""
    key = f"heart_rate:biased:{name_comparison(case)}"
    return case.once_per_workout(key, lambda: _find_biased_runs(case))


def _find_biased_runs(case: Case) -> tuple[Run, ...]:
    """Find the stretches; beside a constant bias, which is one stretch, those that differ from it.

    Where the smoothed error of a device scatters widely, stretches must stand out of that.
    """
    limits = case.settings.heart_rate
    error = get_series(case).error
    constant = find_constant_bias(case)
    residual = error - (constant or 0.0)
    window = round(limits.biased_window_s)
    spread = estimate_slow_spread(residual, window=window)
    limit = float(np.fmax(limits.biased_bpm, SPREADS * spread))
    runs = find_shifted_stretches(
        residual,
        limit=limit,
        shortest=round(limits.biased_s),
        window=window,
        bridge=_BRIDGE_S,
    )
    locked = _find_begin(case)
    later = [Run(max(run.start, locked), run.end) for run in runs]
    kept = [run for run in later if is_biased(case, residual, run, limit)]
    if constant is not None:
        known = np.flatnonzero(np.isfinite(error))
        whole = Run(max(int(known[0]), locked), int(known[-1]) + 1)
        kept = [whole, *(run for run in kept if is_biased(case, error, run, limits.biased_bpm))]
    return tuple(kept)


def _find_begin(case: Case) -> int:
    """Return from where stretches count: the lock, or the first second where none is late."""
    if find_constant_bias(case) is not None:
        late = find_late_run(case)
        return 0 if late is None else late.end
    _, locked = find_lock(case)
    return case.segment.mask.size if locked is None else locked


def is_biased(case: Case, error: FloatArray, run: Run, limit: float) -> bool:
    """Say whether what is left of a stretch is long and large enough."""
    shortest = round(case.settings.heart_rate.biased_s)
    return any(is_shifted(error, run, sign * limit, shortest) for sign in (1.0, -1.0))
