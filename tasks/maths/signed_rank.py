"""The Hodges-Lehmann centre of paired differences, with its exact interval.

Used on one number per workout: differences of two devices, or values less a limit. It takes
differences to scatter evenly about their centre, and says nothing of single workouts.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from tasks.maths.arrays import NAN, NO_INTERVAL, FloatArray, Interval
from tasks.maths.pair_sums import MOST_PAIRS, find_averages, list_ranks

#: Beyond this the normal distribution is the exact one to three digits, and far cheaper.
EXACT_UP_TO = 50


@dataclass(frozen=True, slots=True)
class Centre:
    """The Hodges-Lehmann estimate of the centre of differences, with its exact interval."""

    estimate: float
    interval: Interval


def estimate_centre(differences: FloatArray, *, confidence: float = 0.95) -> Centre:
    """Return the median of all means of two differences, each with itself too, and its interval.

    The interval ends at the Walsh averages that the exact distribution without ties names (beyond
    50 the normal one).

    Parameters
    ----------
    differences
        Differences, shape ``(n,)``; zeros count.
    confidence
        Share of such intervals that are to hold the centre.

    Returns
    -------
    Centre
        In the unit of the differences; for 95 % six differences are needed, fewer have no interval.

    References
    ----------
    Hodges and Lehmann 1963, Annals of Mathematical Statistics 34:598; interval after Tukey 1949, as
    in Hollander and Wolfe, Nonparametric Statistical Methods, section 3.3.
    """
    n = differences.size
    if not n:
        return Centre(NAN, NO_INTERVAL)
    beyond = _count_beyond(n, (1 - confidence) / 2)
    count = n * (n + 1) // 2
    if count > MOST_PAIRS:
        low, high, *ends = find_averages(differences, list_ranks(count, beyond))
        return Centre((low + high) / 2, Interval(*ends) if ends else NO_INTERVAL)
    first, second = np.triu_indices(n)
    averages = np.sort((differences[first] + differences[second]) / 2)
    estimate = float(np.median(averages))
    if beyond < 1:
        return Centre(estimate, NO_INTERVAL)
    low, high = averages[beyond - 1], averages[averages.size - beyond]
    return Centre(estimate, Interval(float(low), float(high)))


@cache
def _count_beyond(n: int, tail: float) -> int:
    """Count the averages beyond each end: as many as sums of ranks are together below the tail."""
    if n > EXACT_UP_TO:
        from scipy.special import ndtri  # noqa: PLC0415 - scipy is slow to import

        spread = np.sqrt(n * (n + 1) * (2 * n + 1) / 24)
        return int(np.floor(n * (n + 1) / 4 + float(ndtri(tail)) * spread))
    sums = np.cumsum(_distribute(np.arange(1, n + 1)))
    return int(np.searchsorted(sums, tail, side="right"))


def _distribute(ranks: np.ndarray[tuple[int], np.dtype[np.int64]]) -> FloatArray:
    """Return the chance of every sum that a random half of whole-number ranks can have."""
    chances = np.zeros(int(ranks.sum()) + 1)
    chances[0] = 1.0
    reach = 0
    for rank in ranks:
        shifted = np.zeros_like(chances)
        shifted[rank : reach + rank + 1] = chances[: reach + 1]
        chances = (chances + shifted) / 2
        reach += int(rank)
    return chances
