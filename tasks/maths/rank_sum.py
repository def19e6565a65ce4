"""Wilcoxon's rank-sum test and the Hodges-Lehmann shift: two groups of unpaired values, exactly.

Used on one number per workout where a device was worn in two ways on different days. It says
nothing of why the groups differ: all else that changed between the days is in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tasks.maths.arrays import NAN, NO_INTERVAL, FloatArray, Interval
from tasks.maths.pair_sums import MOST_PAIRS, find_differences, list_ranks

#: Beyond this many values in all the normal distribution does, and is far cheaper.
EXACT_UP_TO = 100


@dataclass(frozen=True, slots=True)
class RankSum:
    """What the test says: ``p_value`` two-sided; no data of these sizes go below ``smallest_p``."""

    p_value: float
    smallest_p: float


@dataclass(frozen=True, slots=True)
class Shift:
    """The Hodges-Lehmann estimate of first minus second, with its exact interval."""

    estimate: float
    interval: Interval


def assess_rank_sum(first: FloatArray, second: FloatArray) -> RankSum:
    """Test whether two independent groups ``(n_first,)`` and ``(n_second,)`` lie apart.

    Equal values share their mean rank, and the distribution is that of these very ranks, beyond 100
    values the normal one with its corrections. Formula: W = sum of the ranks of the first; p = 2
    min(P(W' <= W), P(W' >= W)).

    Parameters
    ----------
    first, second
        Independent groups, shapes ``(n_first,)`` and ``(n_second,)``.

    Returns
    -------
    RankSum
        W and the two-sided p; p is 1 where a group is empty.

    References
    ----------
    Wilcoxon 1945, Biometrics Bulletin 1:80; Mann and Whitney 1947, Annals of Mathematical
    Statistics 18:50.
    """
    n = first.size
    if not n or not second.size:
        return RankSum(1.0, 1.0)
    ranks, ties = _rank(np.concatenate([first, second]))
    if n + second.size > EXACT_UP_TO:
        return RankSum(_approximate(float(ranks[:n].sum()), n, second.size, ties), 0.0)
    doubled = np.rint(2 * ranks).astype(np.int64)
    chances = _distribute(doubled, n)
    total = int(doubled[:n].sum())
    below, above = float(chances[: total + 1].sum()), float(chances[total:].sum())
    reached = chances[chances > 0]
    return RankSum(
        p_value=min(1.0, 2 * min(below, above)),
        smallest_p=min(1.0, 2 * float(min(reached[0], reached[-1]))),
    )


def _rank(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the mean rank of each value, and how often each different one is there."""
    _, place, counts = np.unique(values, return_inverse=True, return_counts=True)
    mean_ranks = np.cumsum(counts) - (counts - 1) / 2
    return mean_ranks[place], counts.astype(np.float64)


def _approximate(total: float, n: int, m: int, ties: FloatArray) -> float:
    """Return the p of a rank sum by the normal distribution, corrected for ties and continuity."""
    from scipy.special import ndtr  # noqa: PLC0415 - scipy is slow to import

    both = n + m
    tied = float(np.sum(ties**3 - ties)) / (both * (both - 1))
    spread = float(np.sqrt(n * m / 12 * (both + 1 - tied)))
    if spread == 0:
        return 1.0
    beyond = abs(total - n * (both + 1) / 2) - 0.5
    return min(1.0, 2 * float(ndtr(-beyond / spread)))


def estimate_shift(first: FloatArray, second: FloatArray, *, confidence: float = 0.95) -> Shift:
    """Return the median of all differences of a first and a second value, and its interval.

    The interval ends at the differences that the exact distribution without ties names.

    Parameters
    ----------
    first, second
        Independent groups, shapes ``(n_first,)`` and ``(n_second,)``.
    confidence
        Share of such intervals that are to hold the shift.

    Returns
    -------
    Shift
        First minus second in the unit of the values; without an interval for too few values.

    References
    ----------
    Hodges and Lehmann 1963, Annals of Mathematical Statistics 34:598; Hollander and Wolfe,
    Nonparametric Statistical Methods, section 4.3.
    """
    n, m = first.size, second.size
    if not n or not m:
        return Shift(NAN, NO_INTERVAL)
    beyond = _count_beyond(n, m, (1 - confidence) / 2)
    if n * m > MOST_PAIRS:
        below, above, *ends = find_differences(first, second, list_ranks(n * m, beyond))
        return Shift((below + above) / 2, Interval(*ends) if ends else NO_INTERVAL)
    differences = np.sort((first[:, None] - second[None, :]).ravel())
    estimate = float(np.median(differences))
    if beyond < 1:
        return Shift(estimate, NO_INTERVAL)
    low, high = differences[beyond - 1], differences[differences.size - beyond]
    return Shift(estimate, Interval(float(low), float(high)))


def _count_beyond(n: int, m: int, tail: float) -> int:
    """Count the differences beyond each end: as many as rank sums are together below the tail."""
    if n + m > EXACT_UP_TO:
        from scipy.special import ndtri  # noqa: PLC0415 - scipy is slow to import

        spread = np.sqrt(n * m * (n + m + 1) / 12)
        return int(np.floor(n * m / 2 + float(ndtri(tail)) * spread))
    least = n * (n + 1) // 2  # rank sum when all of the first come first
    sums = np.cumsum(_distribute(np.arange(1, n + m + 1), n)[least:])
    return int(np.searchsorted(sums, tail, side="right"))


def _distribute(ranks: np.ndarray[tuple[int], np.dtype[np.int64]], n: int) -> FloatArray:
    """Return chance of every sum that n of the whole-number ranks, drawn at random, can have."""
    ways = np.zeros((n + 1, int(ranks.sum()) + 1))
    ways[0, 0] = 1.0
    for number, rank in enumerate(ranks):
        for size in range(min(n, number + 1), 0, -1):
            ways[size, rank:] += ways[size - 1, : ways.shape[1] - rank]
    chances: FloatArray = ways[n] / ways[n].sum()
    return chances
