"""Exact intervals of a share and of a median, for counted things that are independent."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tasks.maths.arrays import NO_INTERVAL, Interval

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray


def compute_share_interval(count: float, trials: float, *, confidence: float = 0.95) -> Interval:
    """Give the exact interval of a share, between 0 and 1.

    ``trials`` may be an effective number that is not whole, and ``count`` then is the share times
    it; fewer than one trial gives no interval. Formula: quantiles of beta distributions.
    *Source*: Clopper and Pearson 1934, Biometrika 26:404; with an effective number Korn and
    Graubard 1998, Survey Methodology 24:193.
    """
    from scipy.special import betaincinv  # noqa: PLC0415 - scipy is slow to import

    if trials < 1:
        return NO_INTERVAL
    tail = (1 - confidence) / 2
    low = float(betaincinv(count, trials - count + 1, tail)) if count > 0 else 0.0
    high = float(betaincinv(count + 1, trials - count, 1 - tail)) if count < trials else 1.0
    return Interval(low, high)


def compute_median_interval(values: FloatArray, *, confidence: float = 0.95) -> Interval:
    """Give the interval of the median of independent values ``(n,)`` from two order statistics.

    It holds the median at least as often as ``confidence`` says, whatever the distribution; for
    95 % six values are needed, fewer give no interval.
    *Source*: Thompson 1936, Annals of Mathematical Statistics 7:122 (sign test inverted).
    """
    from scipy.stats import binom  # noqa: PLC0415 - scipy is slow to import

    ordered = np.sort(values)
    rank = int(binom.ppf((1 - confidence) / 2, ordered.size, 0.5)) if ordered.size else 0
    if rank < 1:
        return NO_INTERVAL
    return Interval(float(ordered[rank - 1]), float(ordered[ordered.size - rank]))
