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
    """Return each stamp ``(n_samples,)`` [microseconds] as the nearest whole second, halves up.

    Cutting instead of rounding shifts half the samples of a device that stamps at .9 s by one
    second against one that stamps at .0 s.
    """
    return np.floor_divide(stamps_us + _HALF, _MICROSECONDS)


def average_per_second(seconds: IntArray, values: FloatArray) -> tuple[IntArray, FloatArray]:
    """Return sorted distinct seconds and the mean of the values in each; NaN values are dropped.

    Both ``(n_samples,)``, in any order. *Raises* ValueError if the shapes differ.
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
    """Carry values to grid seconds by straight lines over gaps of at most ``max_gap_s``.

    ``sample_s`` strictly increasing, ``(n_samples,)`` like ``values`` (NaN dropped); gives
    ``(n_grid,)`` with NaN inside longer gaps and outside the samples: nothing is extrapolated.
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
    """Return the longest gap that is bridged in a series with a rhythm of its own [s].

    A device that records every 4 or 30 s has no gap between two samples. Formula: the larger of
    ``max_gap_s`` and three median intervals, at most 2 minutes. Common practice, no source.
    """
    if len(sample_s) <= 1:
        return max_gap_s
    usual_s = float(np.median(np.diff(sample_s)))
    return max(max_gap_s, min(_USUAL_INTERVALS * usual_s, _LONGEST_BRIDGE_S) if usual_s > 1 else 0)


def compute_hold_weights(sample_s: FloatArray | IntArray, *, max_hold_s: float) -> FloatArray:
    """Return how long each sample ``(n_samples,)`` holds: to the next one, at most ``max_hold_s``.

    The last sample holds as long as the usual (median) interval, so that even sampling gives equal
    weights; a single sample weighs 1. Stamps must not decrease.
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

    Both ``(n_samples,)``, stamps not decreasing; NaN values are dropped first. The plain mean of
    uneven ("smart") recordings favours stretches in which much was recorded.
    *Raises* ValueError if the shapes differ. *Source*: common practice (sample and hold).
    """
    at = np.asarray(sample_s, dtype=np.float64)
    require_same_shape(at, values)
    present = np.isfinite(values)
    if not present.any():
        return NAN
    weights = compute_hold_weights(at[present], max_hold_s=max_hold_s)
    total = float(weights.sum())
    return float(weights @ values[present]) / total if total > 0 else float(values[present].mean())
