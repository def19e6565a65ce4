"""Lays two lists of pool lengths side by side: which belong together, which one list has not.

Devices miscount in two ways. A turn that was not noticed joins two lengths to one (missed); a stop
in the middle makes two of one (split).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray, IntArray

#: How many lengths of the test and of the reference may belong together; one at least is single.
_SHAPES: Final = ((1, 1), (1, 2), (2, 1), (1, 3), (3, 1), (1, 4), (0, 1), (1, 0))
#: What a miscount adds to the cost, so that it is chosen only where the times ask for it [s].
_MISCOUNT_COST_S: Final = 2.0
_ALONE_SHARE: Final = 0.9
#: The same where only durations are known, as a difference of logarithms: half of what a length
#: of double time is off (common practice, no source: any value well below log 2 does).
_MISCOUNT_COST: Final = 0.5
_UNSEEN_COST: Final = 2.0
_TYPICAL_WINDOW: Final = 9
#: How many lengths one list may be ahead of the other beyond what they differ in number; a wider
#: search costs time and finds nothing on a swim.
_AHEAD: Final = 60
_FEWEST_OF_STROKE: Final = 3

Cost = Callable[[int, int, int, int], float]


@dataclass(frozen=True, slots=True)
class Group:
    """Lengths that belong together, by number from 0; ranges may be empty on one side."""

    test: range
    reference: range

    @property
    def missed(self) -> int:
        """Reference lengths that the test has not counted."""
        return max(len(self.reference) - max(len(self.test), 1), 0) + (not self.test)

    @property
    def extra(self) -> int:
        """Test lengths that the reference has not: splits, and lengths out of nothing."""
        return max(len(self.test) - max(len(self.reference), 1), 0) + (not self.reference)


def align_by_time(
    test_start_s: FloatArray,
    test_end_s: FloatArray,
    reference_start_s: FloatArray,
    reference_end_s: FloatArray,
) -> tuple[Group, ...]:
    """Return the groups, in order, whose starts and ends fit best [s, one clock, sorted].

    The cost of a group is the difference of its starts plus that of its ends; a length that the
    other list has not costs nine tenths of its duration, so that it is taken for missing rather
    than for a part of a neighbour that ends elsewhere. Minimum over all orderly groupings.

    Parameters
    ----------
    test_start_s, test_end_s
        Starts and ends of the lengths of the test, shape ``(n,)``, sorted, on one clock [s].
    reference_start_s, reference_end_s
        The same of the reference, shape ``(m,)`` [s].

    Returns
    -------
    tuple of Group
        In order of time.

    References
    ----------
    Alignment of two sequences by dynamic programming, after Needleman and Wunsch 1970, J. Mol.
    Biol. 48:443 (from memory).
    """
    # Plain lists: single items of arrays are slow to get at.
    starts: list[float] = test_start_s.tolist()
    ends: list[float] = test_end_s.tolist()
    other_starts: list[float] = reference_start_s.tolist()
    other_ends: list[float] = reference_end_s.tolist()

    def find_cost(i: int, n_test: int, j: int, n_reference: int) -> float:
        if not n_test:
            return _ALONE_SHARE * (other_ends[j] - other_starts[j]) + _MISCOUNT_COST_S
        if not n_reference:
            return _ALONE_SHARE * (ends[i] - starts[i]) + _MISCOUNT_COST_S
        begin_off = abs(starts[i] - other_starts[j])
        end_off = abs(ends[i + n_test - 1] - other_ends[j + n_reference - 1])
        return begin_off + end_off + _MISCOUNT_COST_S * abs(n_test - n_reference)

    return _align(len(test_start_s), len(reference_start_s), find_cost)


def align_to_count(
    duration_s: FloatArray, *, count: int, stretch: IntArray, stroke: Sequence[str | None]
) -> tuple[Group, ...]:
    """Return the groups of counted lengths that make `count` true ones most likely.

    Nothing is known of the true lengths but their number, so a length that took about twice the
    usual time stands for two, and neighbours that took half of it each for one. The usual time is
    the median of the nearest lengths of the same stroke.

    Parameters
    ----------
    duration_s
        Durations of the counted lengths in order, shape ``(n,)`` [s].
    count
        Number of true lengths.
    stretch
        Number of the swim between two rests that each length belongs to, shape ``(n,)``: a split
        does not go across a rest.
    stroke
        Stroke of each length; None where unknown.

    Returns
    -------
    tuple of Group
        In order of time.
    """
    usual_s = _find_usual(duration_s, stroke)
    stretches = stretch.tolist()
    until_s = [0.0, *np.cumsum(duration_s).tolist()]

    def find_cost(i: int, n_test: int, _: int, n_reference: int) -> float:
        if not n_test or not n_reference:
            return _UNSEEN_COST
        if stretches[i] != stretches[i + n_test - 1]:
            return math.inf
        took = until_s[i + n_test] - until_s[i]
        expected = usual_s[i] * n_reference
        if took <= 0.0 or expected <= 0.0:
            return _UNSEEN_COST
        return abs(math.log(took / expected)) + _MISCOUNT_COST * abs(n_test - n_reference)

    return _align(len(duration_s), count, find_cost)


def _find_usual(duration_s: FloatArray, stroke: Sequence[str | None]) -> list[float]:
    """Return the median of the nearest lengths of the same stroke, of any where they are few."""
    everything = np.arange(len(duration_s))
    by_stroke = {
        word: np.flatnonzero(np.array([other == word for other in stroke])) for word in set(stroke)
    }
    usual = []
    for number, word in enumerate(stroke):
        same = by_stroke[word]
        if len(same) < _FEWEST_OF_STROKE:
            same = everything
        place = int(np.searchsorted(same, number))
        around = same[max(place - _TYPICAL_WINDOW, 0) : place + _TYPICAL_WINDOW]
        near = around[np.argsort(np.abs(around - number), kind="stable")[:_TYPICAL_WINDOW]]
        usual.append(float(np.median(duration_s[near])))
    return usual


def _align(n_test: int, n_reference: int, find_cost: Cost) -> tuple[Group, ...]:
    """Return the cheapest grouping of all test and all reference lengths.

    Only groupings are tried in which neither list runs far ahead of the other.
    """
    slope = n_reference / max(n_test, 1)
    room = abs(n_reference - n_test) + _AHEAD
    best = [[math.inf] * (n_reference + 1) for _ in range(n_test + 1)]
    came = [[0] * (n_reference + 1) for _ in range(n_test + 1)]
    best[0][0] = 0.0
    for i in range(n_test + 1):
        middle = round(i * slope)
        for j in range(max(middle - room, 0), min(middle + room, n_reference) + 1):
            for number, (a, b) in enumerate(_SHAPES):
                if i < a or j < b:
                    continue
                before = best[i - a][j - b]
                if before < best[i][j]:
                    cost = before + find_cost(i - a, a, j - b, b)
                    if cost < best[i][j]:
                        best[i][j], came[i][j] = cost, number
    groups: list[Group] = []
    i, j = n_test, n_reference
    while i or j:
        a, b = _SHAPES[came[i][j]]
        groups.append(Group(range(i - a, i), range(j - b, j)))
        i, j = i - a, j - b
    return tuple(reversed(groups))
