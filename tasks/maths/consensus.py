"""The middle of several devices per second, without steps where one of them comes or goes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tasks.maths.arrays import require_same_shape

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray, FloatArray


def compute_fade(known: BoolArray, *, fade_s: float, least: float = 0.02) -> FloatArray:
    """Return the weight of each second of each device: 1 far from gaps, less beside them.

    Parameters
    ----------
    known
        Seconds with a value, shape ``(n_devices, n_seconds)``.
    fade_s
        Over which the weight grows evenly with the distance from the nearest second without a
        value [s]; the ends of the series are no gaps.
    least
        Weight right beside a gap.

    Returns
    -------
    FloatArray
        Shape ``(n_devices, n_seconds)``, 0 where there is no value.

    Notes
    -----
    Without it the middle of devices that disagree by metres steps whenever one of them loses its
    fix, and a line through the middles is longer than any way.
    """
    n = known.shape[1]
    index = np.arange(n, dtype=np.float64)
    before = np.maximum.accumulate(np.where(known, -np.inf, index), axis=1)
    behind = np.minimum.accumulate(np.where(known, np.inf, index)[:, ::-1], axis=1)[:, ::-1]
    apart = np.minimum(index - before, behind - index)
    weights: FloatArray = np.where(known, np.clip(apart / fade_s, least, 1.0), 0.0)
    return weights


def compute_weighted_median(values: FloatArray, weights: FloatArray) -> FloatArray:
    """Return the weighted median of each column.

    Parameters
    ----------
    values
        Shape ``(n_devices, n_seconds)``; NaN is missing.
    weights
        Same shape, not negative.

    Returns
    -------
    FloatArray
        Shape ``(n_seconds,)``; NaN where nothing has weight.

    Notes
    -----
    Straight lines between the middles of the weights, so that it changes without steps as weights
    do; of equal weights it is the usual median.
    """
    require_same_shape(values, weights)
    known = np.isfinite(values) & (weights > 0)
    some = known.any(axis=0)
    median = np.full(some.shape, np.nan)
    if not some.any():
        return median
    filled = np.where(known, values, np.inf)[:, some]
    order = np.argsort(filled, axis=0, kind="stable")
    ordered = np.take_along_axis(filled, order, axis=0)
    weight = np.take_along_axis(np.where(known, weights, 0.0)[:, some], order, axis=0)
    middle = np.cumsum(weight, axis=0) - weight / 2
    half = weight.sum(axis=0) / 2
    # The last value whose middle is not beyond half of the weight, and the one after it.
    last = np.maximum((middle <= half).sum(axis=0) - 1, 0)
    counts = known[:, some].sum(axis=0)
    low = np.minimum(last, counts - 1)
    high = np.minimum(low + 1, counts - 1)
    columns = np.arange(low.size)
    step = middle[high, columns] - middle[low, columns]
    share = np.where(step > 0, (half - middle[low, columns]) / np.where(step > 0, step, 1.0), 0.0)
    share = np.clip(share, 0.0, 1.0)
    low_values, high_values = ordered[low, columns], ordered[high, columns]
    median[some] = low_values + share * (high_values - low_values)
    return median


def remove_offsets(values: FloatArray) -> FloatArray:
    """Set series to one level: that of the median of all of them.

    Parameters
    ----------
    values
        Shape ``(n_devices, n_seconds)``; NaN is missing.

    Returns
    -------
    FloatArray
        Same shape.

    Notes
    -----
    Each loses its median difference from the median of all, over the seconds in which all have a
    value (where there are none: in which at least two have). Barometers that nobody set differ by
    tens of metres and keep it; their middle must not step when one of them is missing.
    """
    known = np.isfinite(values)
    together = known.all(axis=0)
    if not together.any():
        together = known.sum(axis=0) >= min(2, values.shape[0])
    if not together.any():
        return values.copy()
    middle = np.nanmedian(values[:, together], axis=0)
    levelled = values.copy()
    for row, series in enumerate(values):
        off = series[together] - middle
        off = off[np.isfinite(off)]
        if off.size:
            levelled[row] = series - float(np.median(off))
    return levelled
