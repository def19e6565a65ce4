"""Running means, medians and slopes over even grids; missing values (NaN) are left out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray


def compute_running_mean(
    values: FloatArray, *, width: int, fewest_share: float = 0.5
) -> FloatArray:
    """Return the centred running mean, over shorter windows at the ends.

    Parameters
    ----------
    values
        Shape ``(n,)``; NaN is left out.
    width
        Samples in a window.
    fewest_share
        A window with fewer than this share of its samples present gives NaN.

    Returns
    -------
    FloatArray
        Shape ``(n,)``.
    """
    n = values.size
    if not n:
        return values.copy()
    present = np.isfinite(values)
    total = np.concatenate([[0.0], np.cumsum(np.where(present, values, 0.0))])
    count = np.concatenate([[0.0], np.cumsum(present, dtype=np.float64)])
    index = np.arange(n)
    low = np.maximum(index - width // 2, 0)
    high = np.minimum(index + (width - width // 2), n)
    seen = count[high] - count[low]
    enough = (seen >= fewest_share * (high - low)) & (seen > 0)
    means: FloatArray = np.where(enough, (total[high] - total[low]) / np.maximum(seen, 1.0), np.nan)
    return means


def compute_running_median(values: FloatArray, *, half_window: int) -> FloatArray:
    """Return the running median over 2 ``half_window`` + 1 samples.

    Parameters
    ----------
    values
        Shape ``(n,)``; NaN is left out.
    half_window
        Samples on each side; windows are cut at the ends.

    Returns
    -------
    FloatArray
        Shape ``(n,)``; NaN where a window has no value.
    """
    if not values.size:
        return values.copy()
    padded = np.pad(values, half_window, constant_values=np.nan)
    windows = np.sort(sliding_window_view(padded, 2 * half_window + 1), axis=1)
    counts = np.isfinite(windows).sum(axis=1)
    rows = np.arange(values.size)
    low = windows[rows, np.maximum(counts - 1, 0) // 2]
    high = windows[rows, np.minimum(counts // 2, np.maximum(counts - 1, 0))]
    medians: FloatArray = np.where(counts > 0, (low + high) / 2, np.nan)
    return medians


def compute_running_slope(values: FloatArray, *, width: int) -> FloatArray:
    """Return the centred difference quotient, per sample.

    Parameters
    ----------
    values
        Shape ``(n,)``.
    width
        Samples between both ends of the quotient; the ends of the series use what they have, at
        least half of it.

    Returns
    -------
    FloatArray
        Shape ``(n,)``; NaN where the value at either end is NaN.
    """
    n = values.size
    slopes = np.full(n, np.nan)
    half = width // 2
    if n <= half:
        return slopes
    index = np.arange(n)
    low, high = np.maximum(index - half, 0), np.minimum(index + (width - half), n - 1)
    slopes[:] = (values[high] - values[low]) / (high - low)
    return slopes


def fit_local_lines(at: FloatArray, values: FloatArray, *, half_width: float) -> FloatArray:
    """Return at each place the least-squares line through the values around it.

    A straight course is returned unchanged; a value alone in its window stays.

    Parameters
    ----------
    at
        Places, shape ``(n,)``, without gaps, not decreasing, evenly spaced or not.
    values
        Shape ``(n,)``, without gaps.
    half_width
        Distance within which values count, in the unit of ``at``.

    Returns
    -------
    FloatArray
        Shape ``(n,)``.
    """
    if not at.size:
        return values.copy()
    shifted, base = at - at[0], values - values[0]
    low = np.searchsorted(shifted, shifted - half_width, side="left")
    high = np.searchsorted(shifted, shifted + half_width, side="right")

    def add_up(terms: FloatArray) -> FloatArray:
        total = np.concatenate([[0.0], np.cumsum(terms)])
        sums: FloatArray = total[high] - total[low]
        return sums

    n = (high - low).astype(np.float64)
    mean_at, mean = add_up(shifted) / n, add_up(base) / n
    spread = add_up(shifted**2) / n - mean_at**2
    joint = add_up(shifted * base) / n - mean_at * mean
    slope = np.where(spread > 1e-6, joint / np.maximum(spread, 1e-6), 0.0)  # noqa: PLR2004 - one place
    fitted: FloatArray = values[0] + mean + slope * (shifted - mean_at)
    return fitted


def fill_gaps(values: FloatArray) -> FloatArray:
    """Fill NaN by linear interpolation, the ends by the nearest value.

    For filters that cannot skip missing values; do not report results at filled places.

    Parameters
    ----------
    values
        Shape ``(n,)``.

    Returns
    -------
    FloatArray
        Shape ``(n,)``; all missing stays all missing.
    """
    present = np.isfinite(values)
    if present.all() or not present.any():
        return values.copy()
    index = np.arange(values.size, dtype=np.float64)
    return np.interp(index, index[present], values[present]).astype(np.float64)
