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
#: The same where only durations are known, as a difference of logarithms: half of what a length
#: of double time is off (common practice, no source: any value well below log 2 does).
_MISCOUNT_COST: Final = 0.5
_UNSEEN_COST: Final = 2.0
_TYPICAL_WINDOW: Final = 9
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
    """Give the groups, in order, whose starts and ends fit best [s, one clock, sorted].

    The cost of a group is the difference of its starts plus that of its ends; a length that the
    other list has not costs its duration. Minimum over all orderly groupings.
    Source: alignment of two sequences by dynamic programming, after Needleman and Wunsch 1970,
    J. Mol. Biol. 48:443 (from memory).
    """

    def find_cost(i: int, n_test: int, j: int, n_reference: int) -> float:
        if not n_test:
            return float(reference_end_s[j] - reference_start_s[j]) + _MISCOUNT_COST_S
        if not n_reference:
            return float(test_end_s[i] - test_start_s[i]) + _MISCOUNT_COST_S
        starts = abs(float(test_start_s[i] - reference_start_s[j]))
        ends = abs(float(test_end_s[i + n_test - 1] - reference_end_s[j + n_reference - 1]))
        return starts + ends + _MISCOUNT_COST_S * abs(n_test - n_reference)

    return _align(len(test_start_s), len(reference_start_s), find_cost)


def align_to_count(
    duration_s: FloatArray, *, count: int, stretch: IntArray, stroke: Sequence[str | None]
) -> tuple[Group, ...]:
    """Give the groups of counted lengths that make `count` true ones most likely.

    Nothing is known of the true lengths but their number, so a length that took about twice the
    usual time stands for two, and neighbours that took half of it each for one. `stretch` numbers
    the swim between two rests that each length belongs to: a split does not go across a rest.
    The usual time is the median of the nearest lengths of the same stroke.
    """
    usual_s = _find_usual(duration_s, stroke)

    def find_cost(i: int, n_test: int, _: int, n_reference: int) -> float:
        if not n_test or not n_reference:
            return _UNSEEN_COST
        last = i + n_test - 1
        if stretch[i] != stretch[last]:
            return math.inf
        took = float(duration_s[i : last + 1].sum())
        expected = float(usual_s[i]) * n_reference
        if took <= 0.0 or expected <= 0.0:
            return _UNSEEN_COST
        return abs(math.log(took / expected)) + _MISCOUNT_COST * abs(n_test - n_reference)

    return _align(len(duration_s), count, find_cost)


def _find_usual(duration_s: FloatArray, stroke: Sequence[str | None]) -> FloatArray:
    usual = np.empty(len(duration_s))
    strokes = np.array([word or "" for word in stroke], dtype=object)
    for number in range(len(duration_s)):
        same = np.flatnonzero(strokes == strokes[number])
        if len(same) < _FEWEST_OF_STROKE:
            same = np.arange(len(duration_s))
        near = same[np.argsort(np.abs(same - number), kind="stable")[:_TYPICAL_WINDOW]]
        usual[number] = np.median(duration_s[near])
    return usual


def _align(n_test: int, n_reference: int, find_cost: Cost) -> tuple[Group, ...]:
    """Give the cheapest grouping of all test and all reference lengths."""
    best = np.full((n_test + 1, n_reference + 1), np.inf)
    came = np.zeros((n_test + 1, n_reference + 1), dtype=np.int64)
    best[0, 0] = 0.0
    for i in range(n_test + 1):
        for j in range(n_reference + 1):
            for number, (a, b) in enumerate(_SHAPES):
                if i < a or j < b or not np.isfinite(best[i - a, j - b]):
                    continue
                cost = best[i - a, j - b] + find_cost(i - a, a, j - b, b)
                if cost < best[i, j]:
                    best[i, j], came[i, j] = cost, number
    groups: list[Group] = []
    i, j = n_test, n_reference
    while i or j:
        a, b = _SHAPES[came[i, j]]
        groups.append(Group(range(i - a, i), range(j - b, j)))
        i, j = i - a, j - b
    return tuple(reversed(groups))
