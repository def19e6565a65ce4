"""Order statistics of all pairwise sums of two series, without making all the pairs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from tasks.maths.arrays import FloatArray

#: Up to this many pairs it is as quick to make them all.
MOST_PAIRS = 40_000
#: The range is halved this often: to 2^-50 of itself, which is what floats of its ends can tell.
_N_HALVINGS = 50


def find_averages(values: FloatArray, ranks: list[int]) -> list[float]:
    """Return the averages of two values, each with itself too, that have these ranks from below.

    Takes time of order n log n for each rank; exact to 2^-50 of the range of the values.

    Parameters
    ----------
    values
        Shape ``(n,)``; there are n (n + 1) / 2 averages.
    ranks
        From 1 on.

    Returns
    -------
    list of float
        One for each rank, in order.

    References
    ----------
    Halving the range and counting the pairs below is common practice; Johnson and Mizoguchi 1978,
    SIAM Journal on Computing 7:147, have a method of the same order (from memory).
    """
    ordered = np.sort(values)

    def count_up_to(limit: float) -> int:
        grid = int(np.searchsorted(ordered, 2 * limit - ordered, side="right").sum())
        own = int(np.searchsorted(ordered, limit, side="right"))
        return (grid + own) // 2

    ends = float(ordered[0]), float(ordered[-1])
    return [_find_rank(count_up_to, ends, rank) for rank in ranks]


def find_differences(first: FloatArray, second: FloatArray, ranks: list[int]) -> list[float]:
    """Return the differences of a first and a second value that have these ranks from below.

    As :func:`find_averages`.

    Parameters
    ----------
    first, second
        Values, shapes ``(n,)`` and ``(m,)``; there are n m differences.
    ranks
        From 1 on.

    Returns
    -------
    list of float
        One for each rank, in order.
    """
    ordered, other = np.sort(first), np.sort(second)

    def count_up_to(limit: float) -> int:
        return int(np.searchsorted(ordered, limit + other, side="right").sum())

    ends = float(ordered[0] - other[-1]), float(ordered[-1] - other[0])
    return [_find_rank(count_up_to, ends, rank) for rank in ranks]


def list_ranks(count: int, beyond: int) -> list[int]:
    """Return the ranks of the median of ``count`` numbers, twice where it is one, and of the ends.

    The ends have ``beyond`` - 1 numbers outside; none are named where ``beyond`` is below 1.

    Parameters
    ----------
    count
        How many numbers there are.
    beyond
        The ends have one number fewer than this outside.

    Returns
    -------
    list of int
        Ranks from 1 on: of the median, then of the ends.
    """
    middle = [(count + 1) // 2, count // 2 + 1]
    return middle if beyond < 1 else [*middle, beyond, count - beyond + 1]


def _find_rank(count_up_to: Callable[[float], int], ends: tuple[float, float], rank: int) -> float:
    low, high = ends
    if count_up_to(low) >= rank:
        return low
    for _ in range(_N_HALVINGS):
        middle = (low + high) / 2
        if count_up_to(middle) >= rank:
            high = middle
        else:
            low = middle
    return high
