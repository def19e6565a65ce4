"""Wilcoxon's signed-rank test and the Hodges-Lehmann centre: paired values, few of them, exactly.

Used on one number per workout: differences of two devices, or values less a limit. Both assume
that the differences scatter evenly about their centre, and say nothing of single workouts.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from tasks.maths.arrays import NAN, NO_INTERVAL, FloatArray, Interval

#: Differences are told apart only beyond this share of the largest one: what float arithmetic
#: leaves of equal decimal numbers must not become two ranks.
_NOISE = 1e-9
#: Beyond this the normal distribution is the exact one to three digits, and far cheaper.
EXACT_UP_TO = 50


@dataclass(frozen=True, slots=True)
class SignedRank:
    """What the test says.

    ``n`` counts the differences that are not zero, ``sum_positive`` is the sum of the ranks of the
    positive ones, ``p_value`` two-sided; ``smallest_p`` is what no data of this size go below.
    """

    n: int
    sum_positive: float
    p_value: float
    smallest_p: float


@dataclass(frozen=True, slots=True)
class Centre:
    """The Hodges-Lehmann estimate of the centre of differences, with its exact interval."""

    estimate: float
    interval: Interval


def assess_signed_rank(differences: FloatArray) -> SignedRank:
    """Test whether differences ``(n,)`` scatter evenly about zero, by the exact distribution.

    Differences of zero are left out (Wilcoxon's own way); equal sizes share their mean rank, and
    the distribution is that of these very ranks; beyond 50 the normal one with its corrections.
    Nothing left gives p 1.
    Formula: W = sum of the ranks of |d| with d > 0; p = 2 min(P(W' <= W), P(W' >= W)), at most 1.
    *Source*: Wilcoxon 1945, Biometrics Bulletin 1:80; with ties Lehmann 1975, Nonparametrics,
    section 3.2. *Raises* ValueError for a difference that is not finite.
    """
    from scipy.stats import rankdata, wilcoxon  # noqa: PLC0415 - scipy is slow to import

    cleaned = _drop_noise(differences)
    kept = cleaned[cleaned != 0]
    if not kept.size:
        return SignedRank(0, 0.0, 1.0, 1.0)
    if kept.size > EXACT_UP_TO:
        found = wilcoxon(kept, method="asymptotic", correction=True)
        positive = float(rankdata(np.abs(kept))[kept > 0].sum())
        return SignedRank(kept.size, positive, float(found.pvalue), find_smallest_p(kept.size))
    # Mean ranks are halves at the finest: twice the ranks are whole numbers.
    doubled = np.rint(2 * rankdata(np.abs(kept))).astype(np.int64)
    chances = _distribute(doubled)
    found = int(doubled[kept > 0].sum())
    below, above = float(chances[: found + 1].sum()), float(chances[found:].sum())
    return SignedRank(
        n=int(kept.size),
        sum_positive=found / 2,
        p_value=min(1.0, 2 * min(below, above)),
        smallest_p=min(1.0, 2 * float(chances[0])),
    )


def estimate_centre(differences: FloatArray, *, confidence: float = 0.95) -> Centre:
    """Return the median of all means of two differences, each with itself too, and its interval.

    ``differences`` is ``(n,)``; zeros count. The interval ends at the Walsh averages that the exact
    distribution without ties names (beyond 50 the normal one); for 95 % six differences are
    needed, fewer give none.
    *Source*: Hodges and Lehmann 1963, Annals of Mathematical Statistics 34:598; interval after
    Tukey 1949, as in Hollander and Wolfe, Nonparametric Statistical Methods, section 3.3.
    """
    n = differences.size
    if not n:
        return Centre(NAN, NO_INTERVAL)
    first, second = np.triu_indices(n)
    averages = np.sort((differences[first] + differences[second]) / 2)
    estimate = float(np.median(averages))
    beyond = _count_beyond(n, (1 - confidence) / 2)
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


def _drop_noise(values: FloatArray) -> FloatArray:
    if not np.all(np.isfinite(values)):
        raise ValueError("every difference must be a finite number")
    step = float(np.max(np.abs(values), initial=0.0)) * _NOISE
    if step == 0:
        return values
    cleaned: FloatArray = np.rint(values / step) * step
    return cleaned


def find_smallest_p(n: int) -> float:
    """Return the two-sided p that no ``n`` differences go below: 2 / 2^n, at most 1."""
    return min(1.0, 2.0 ** (1 - n))
