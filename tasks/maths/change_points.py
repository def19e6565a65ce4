"""Where the level of a series changes, and runs whose edges are put there."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tasks.maths.runs import Run, find_runs
from tasks.maths.scatter import MAD_TO_SD
from tasks.maths.smoothing import compute_running_mean

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray, FloatArray

_FEWEST = 2
#: From so many windows on a scatter is known; in fewer, one stretch would pass for scatter.
_FEWEST_WINDOWS = 20


def find_level_change(values: FloatArray) -> int:
    """Return the index at which two levels fit `(n,)` best: the first sample of the second level.

    Formula: the split with the least sum of squared deviations from the two means.

    Parameters
    ----------
    values
        Series, shape ``(n,)``; NaN is left out.

    Returns
    -------
    int
        Index into ``values``; 0 for fewer than two values.

    References
    ----------
    Single change in mean by least squares, Hinkley 1970, Biometrika 57:1.
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
    error: FloatArray, *, limit: float, shortest: int, window: int, bridge: int = 0
) -> tuple[Run, ...]:
    """Find the stretches in which the smoothed error stays beyond a limit, one sign each.

    The smoothing (centred mean over ``window`` seconds) finds a stretch but smears its ends, so
    each end is moved to the change of level in the error itself within one window. Stretches of
    one sign are one where fewer than ``bridge`` seconds lie between them, or where the smoothed
    error stays beyond half of the limit in between.

    Parameters
    ----------
    error
        Shape ``(n_seconds,)``; NaN ends no stretch by itself, but a window with less than half of
        its seconds does.
    limit
        In the unit of the error; the mean error of a stretch is beyond it, too.
    shortest, window, bridge
        Whole seconds.

    Returns
    -------
    tuple of Run
        In order of time, each of at least ``shortest`` seconds.
    """
    smooth = compute_running_mean(error, width=window)
    found = []
    for sign in (1.0, -1.0):
        with np.errstate(invalid="ignore"):
            marked = sign * smooth > limit
            goes_on = sign * smooth > limit / 2
        runs = [_sharpen(error, run, window) for run in find_runs(marked, shortest=shortest // 2)]
        found += _join(error, runs, goes_on, limit=sign * limit, shortest=shortest, bridge=bridge)
    return tuple(sorted(found, key=lambda run: run.start))


def _join(
    error: FloatArray,
    runs: list[Run],
    goes_on: BoolArray,
    *,
    limit: float,
    shortest: int,
    bridge: int,
) -> list[Run]:
    """Join neighbours, as long as what they become together is still beyond the limit."""
    joined: list[Run] = []
    for run in runs:
        if joined and bridge:
            last = joined[-1]
            between = goes_on[last.end : run.start]
            both = Run(last.start, max(run.end, last.end))
            is_near = run.start - last.end < bridge or bool(between.all())
            if is_near and is_shifted(error, both, limit, shortest):
                joined[-1] = both
                continue
        joined.append(run)
    return [run for run in joined if is_shifted(error, run, limit, shortest)]


def estimate_slow_spread(error: FloatArray, *, window: int) -> float:
    """Return how far means over a window scatter about their level, as an SD.

    Formula: 1.4826 median |m(t + 2 window) - m(t)| / sqrt(2), m being the centred running mean.
    Differences are used so that changes of level, which are few, do not count; the error's memory
    does.

    Parameters
    ----------
    error
        Errors on a 1 s grid, shape ``(n_seconds,)``, NaN where missing.
    window
        Width of the means [s].

    Returns
    -------
    float
        In the unit of the error; NaN where fewer than 20 windows are known.

    References
    ----------
    Median absolute deviation as an estimate of scale, Hampel 1974, JASA 69:383; its use on
    differences is common practice.
    """
    smooth = compute_running_mean(error, width=window)
    steps = np.abs(smooth[2 * window :] - smooth[: -2 * window])
    steps = steps[np.isfinite(steps)]
    if steps.size < _FEWEST_WINDOWS * window:
        return float("nan")
    return float(MAD_TO_SD * np.median(steps) / np.sqrt(2))


def is_shifted(error: FloatArray, run: Run, limit: float, shortest: int) -> bool:
    """Say whether a run is long enough and its mean error beyond a signed limit.

    Parameters
    ----------
    error
        Errors on a 1 s grid, shape ``(n_seconds,)``, NaN where missing.
    run
        The run that is looked at.
    limit
        Signed limit in the unit of the error: negative for errors below zero.
    shortest
        Least length of the run [s].

    Returns
    -------
    bool
        True where both hold.
    """
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
