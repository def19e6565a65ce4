"""Outliers against a running median (Hampel's rule), with a floor for whole-number series."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tasks.maths.smoothing import compute_running_median

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray, FloatArray

MAD_SCALE = 1.482602218505602  # 1 / Phi^-1(3/4): the MAD of a normal distribution in its SD


@dataclass(frozen=True, slots=True)
class HampelResult:
    """Outlier marks, running medians and the limit used at each sample, all ``(n_samples,)``."""

    is_outlier: BoolArray
    medians: FloatArray
    limits: FloatArray


def find_hampel_outliers(
    values: FloatArray, *, half_window: int, n_sigma: float = 3.0, floor: float = 0.0
) -> HampelResult:
    """Mark the samples that lie too far from their running median.

    The limit is max(floor, n_sigma 1.4826 MAD) in the window around each sample. Heart rate in
    whole bpm has plateaus whose MAD is 0, where every step of 1 bpm would be an outlier: give such
    series a floor.

    Parameters
    ----------
    values
        Shape ``(n_samples,)``; NaN is neither counted nor marked.
    half_window
        Samples on each side; windows are cut at the ends.
    n_sigma
        Limit in standard deviations of a normal distribution.
    floor
        Least limit, in the unit of the values.

    Returns
    -------
    HampelResult
        Marks, running medians and limits.

    References
    ----------
    Hampel 1974, JASA 69:383; Davies and Gather 1993, JASA 88:782 (the identifier).
    """
    medians = compute_running_median(values, half_window=half_window)
    spread = _compute_running_mad(values, medians, half_window)
    limits = np.maximum(floor, n_sigma * MAD_SCALE * spread)
    with np.errstate(invalid="ignore"):
        is_outlier: BoolArray = np.abs(values - medians) > limits
    return HampelResult(is_outlier, medians, limits)


def _compute_running_mad(values: FloatArray, medians: FloatArray, half_window: int) -> FloatArray:
    """Each window's deviations are from the median of that same window, not from running ones."""
    if not values.size:
        return values.copy()
    padded = np.pad(values, half_window, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half_window + 1)
    deviations = np.sort(np.abs(windows - medians[:, None]), axis=1)
    counts = np.isfinite(deviations).sum(axis=1)
    rows = np.arange(values.size)
    low = deviations[rows, np.maximum(counts - 1, 0) // 2]
    high = deviations[rows, np.minimum(counts // 2, np.maximum(counts - 1, 0))]
    spread: FloatArray = (low + high) / 2
    return spread
