"""Where the level of a series changes, and runs whose edges are put there."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tasks.maths.runs import Run, find_runs
from tasks.maths.smoothing import compute_running_mean

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray

_FEWEST = 2


def find_level_change(values: FloatArray) -> int:
    """Return the index at which two levels fit `(n,)` best: the first sample of the second level.

    NaN is left out. Formula: the split with the least sum of squared deviations from the two
    means. *Source*: single change in mean by least squares, Hinkley 1970, Biometrika 57:1. Series
    of fewer than two values give 0.
    """
    present = np.flatnonzero(np.isfinite(values))
    if present.size < _FEWEST:
        return 0
    known = values[present]
    left = np.arange(1, known.size, dtype=np.float64)
    right = known.size - left
    sums = np.cumsum(known)[:-1]
    gain = sums**2 / left + (known.sum() - sums) ** 2 / right
    return int(present[int(np.argmax(gain)) + 1])


def find_shifted_stretches(
    error: FloatArray, *, limit: float, shortest: int, window: int
) -> tuple[Run, ...]:
    """Find the stretches of `(n_seconds,)` in which the smoothed error stays beyond a limit.

    One sign per stretch. The smoothing (centred mean over ``window`` seconds) finds a stretch but
    smears its ends, so each end is moved to the change of level in the error itself within one
    window; stretches shorter than ``shortest`` after that are dropped. NaN ends no stretch by
    itself, but a window with less than half of its seconds does.
    """
    smooth = compute_running_mean(error, width=window)
    found = []
    for sign in (1.0, -1.0):
        with np.errstate(invalid="ignore"):
            marked = sign * smooth > limit
        runs = [_sharpen(error, run, window) for run in find_runs(marked, shortest=shortest // 2)]
        found += [run for run in runs if _is_shifted(error, run, sign * limit, shortest)]
    return tuple(sorted(found, key=lambda run: run.start))


def _is_shifted(error: FloatArray, run: Run, limit: float, shortest: int) -> bool:
    inside = error[run.start : run.end]
    present = inside[np.isfinite(inside)]
    if run.length < shortest or not present.size:
        return False
    return bool(present.mean() / limit > 1)


def _sharpen(error: FloatArray, run: Run, window: int) -> Run:
    middle = (run.start + run.end) // 2
    reach = window
    low = max(run.start - reach, 0)
    high = min(run.start + reach, max(middle, run.start + 1))
    start = low + find_level_change(error[low:high]) if run.start > 0 else 0
    low = max(run.end - reach, min(middle, run.end - 1))
    high = min(run.end + reach, error.size)
    end = low + find_level_change(error[low:high]) if run.end < error.size else error.size
    return Run(start, max(end, start))
