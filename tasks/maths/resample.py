"""Uneven stamps to an even grid, and means that weigh by time."""

from __future__ import annotations

import numpy as np

from tasks.maths.arrays import NAN, FloatArray, IntArray, require_same_shape

_MICROSECONDS = 1_000_000
_HALF = 500_000


#: Intervals of a device that its gaps must exceed, and what is never bridged [s].
_USUAL_INTERVALS = 3.0
_LONGEST_BRIDGE_S = 120.0


def round_to_seconds(stamps_us: IntArray) -> IntArray:
    """Return each stamp as the nearest whole second, halves up.

    Parameters
    ----------
    stamps_us
        Shape ``(n_samples,)`` [microseconds].

    Returns
    -------
    IntArray
        Shape ``(n_samples,)`` [s].

    Notes
    -----
    Cutting instead of rounding shifts half the samples of a device that stamps at .9 s by one
    second against one that stamps at .0 s.
    """
    return np.floor_divide(stamps_us + _HALF, _MICROSECONDS)


def average_per_second(seconds: IntArray, values: FloatArray) -> tuple[IntArray, FloatArray]:
    """Return sorted distinct seconds and the mean of the values in each.

    Parameters
    ----------
    seconds
        Shape ``(n_samples,)``, in any order [s].
    values
        Same shape; NaN is dropped.

    Returns
    -------
    tuple[IntArray, FloatArray]
        Seconds and means, one each per distinct second.

    Raises
    ------
    ValueError
        The shapes differ.
    """
    if seconds.shape != values.shape:
        raise ValueError(f"arrays must have one shape, found {seconds.shape} and {values.shape}")
    present = np.isfinite(values)
    distinct, inverse = np.unique(seconds[present], return_inverse=True)
    sums = np.bincount(inverse, weights=values[present], minlength=distinct.size)
    counts = np.bincount(inverse, minlength=distinct.size)
    return distinct.astype(np.int64), sums / np.maximum(counts, 1)


def interpolate_to_grid(
    grid_s: FloatArray | IntArray,
    sample_s: FloatArray | IntArray,
    values: FloatArray,
    *,
    max_gap_s: float,
) -> FloatArray:
    """Carry values to grid seconds by straight lines over gaps.

    Parameters
    ----------
    grid_s
        Seconds of the grid, shape ``(n_grid,)``.
    sample_s
        Stamps, shape ``(n_samples,)`` [s], strictly increasing.
    values
        Same shape as the stamps; NaN is dropped.
    max_gap_s
        Longest gap that is bridged [s].

    Returns
    -------
    FloatArray
        Shape ``(n_grid,)``; NaN inside longer gaps and outside the samples: nothing is
        extrapolated.
    """
    present = np.isfinite(values)
    at, known = np.asarray(sample_s, dtype=np.float64)[present], values[present]
    grid = np.asarray(grid_s, dtype=np.float64)
    if not at.size:
        return np.full(grid.size, NAN)
    after = np.searchsorted(at, grid, side="left")
    inside = (after < at.size) & (grid >= at[0])
    right = np.minimum(after, at.size - 1)
    exact = inside & (at[right] == grid)
    left = np.maximum(right - 1, 0)
    bridged = inside & (at[right] - at[left] <= max_gap_s)
    carried: FloatArray = np.where(exact | bridged, np.interp(grid, at, known), NAN)
    return carried


def widen_gap(sample_s: FloatArray | IntArray, max_gap_s: float) -> float:
    """Return the longest gap that is bridged in a series with a rhythm of its own.

    Parameters
    ----------
    sample_s
        Stamps, shape ``(n_samples,)`` [s].
    max_gap_s
        Longest gap that is bridged in any case [s].

    Returns
    -------
    float
        In seconds: the larger of the longest gap and three median intervals, at most 2 minutes. A
        device that records every 4 or 30 s has no gap between two samples.

    References
    ----------
    Common practice, no source.
    """
    if len(sample_s) <= 1:
        return max_gap_s
    usual_s = float(np.median(np.diff(sample_s)))
    return max(max_gap_s, min(_USUAL_INTERVALS * usual_s, _LONGEST_BRIDGE_S) if usual_s > 1 else 0)


def compute_hold_weights(sample_s: FloatArray | IntArray, *, max_hold_s: float) -> FloatArray:
    """Return how long each sample holds: to the next one, at most a longest time.

    Parameters
    ----------
    sample_s
        Stamps, shape ``(n_samples,)`` [s], not decreasing.
    max_hold_s
        Longest time [s].

    Returns
    -------
    FloatArray
        Shape ``(n_samples,)`` [s]. The last sample holds as long as the usual (median) interval,
        so that even sampling gives equal weights; a single sample weighs 1.
    """
    at = np.asarray(sample_s, dtype=np.float64)
    if at.size <= 1:
        return np.ones(at.size)
    steps = np.diff(at)
    held = np.append(steps, np.median(steps))
    return np.minimum(held, max_hold_s)


def compute_time_weighted_mean(
    sample_s: FloatArray | IntArray, values: FloatArray, *, max_hold_s: float
) -> float:
    """Return the mean of uneven samples, each weighed by the time for which it is the newest.

    Parameters
    ----------
    sample_s
        Stamps, shape ``(n_samples,)`` [s], not decreasing.
    values
        Same shape; NaN is dropped first.
    max_hold_s
        Longest time for which a sample counts [s].

    Returns
    -------
    float
        In the unit of the values; NaN for none. The plain mean of uneven ("smart") recordings
        favours stretches in which much was recorded.

    Raises
    ------
    ValueError
        The shapes differ.

    References
    ----------
    Common practice (sample and hold).
    """
    at = np.asarray(sample_s, dtype=np.float64)
    require_same_shape(at, values)
    present = np.isfinite(values)
    if not present.any():
        return NAN
    weights = compute_hold_weights(at[present], max_hold_s=max_hold_s)
    total = float(weights.sum())
    return float(weights @ values[present]) / total if total > 0 else float(values[present].mean())
