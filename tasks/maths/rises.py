"""Rises of a series, and how a second series follows them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tasks.maths.arrays import NAN
from tasks.maths.smoothing import compute_running_mean, fill_gaps

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray

_SMOOTH_S = 7
_FOLLOW_SMOOTH_S = 5
_FOOT, _TOP = 0.05, 0.95  # shares of the rise at which it begins and ends
_TURN_SHARE = 1 / 3
_BASE_S = 30
_OFFSET_ROOM = 3.0
_END_S = 5
# Levels around half of the rise are averaged, so that one noisy second does not decide.
_HALF, _NEAR = (0.4, 0.45, 0.5, 0.55, 0.6), (0.9,)


@dataclass(frozen=True, slots=True)
class Rise:
    """A rise from ``low`` at index ``start`` to ``high`` at index ``end``."""

    start: int
    end: int
    low: float
    high: float

    @property
    def size(self) -> float:
        """How far it rises."""
        return self.high - self.low


@dataclass(frozen=True, slots=True)
class Following:
    """How a series followed one rise; NaN where it never got there or cannot be seen.

    Delays [samples] are those of crossing the level of half and of 90 % of the rise;
    ``shortfall`` is what was lacking at its end; ``offset`` is the difference before the rise,
    which is taken off first.
    """

    rise: Rise
    delay_half: float
    delay_near: float
    shortfall: float
    offset: float


def find_rises(values: FloatArray, *, size: float, within: int) -> tuple[Rise, ...]:
    """Find the rises of `(n_seconds,)` by at least ``size`` within a number of seconds.

    Turning points are those of a zigzag with a reversal of a third of ``size``; a leg may hold
    several rises. A rise begins where the series leaves the lowest 5 % of it and ends where it
    reaches 95 %.

    Parameters
    ----------
    values
        Series on a 1 s grid, shape ``(n_seconds,)``, NaN where missing. Gaps are bridged by
        straight lines for the search.
    size
        Least rise, in the unit of the values.
    within
        Longest time of a rise [s].

    Returns
    -------
    tuple of Rise
        In order of time.
    """
    if not np.isfinite(values).any():
        return ()
    smooth = compute_running_mean(fill_gaps(values), width=_SMOOTH_S)
    found: list[Rise] = []
    for low, high in _find_upward_legs(smooth, size * _TURN_SHARE):
        _collect_rises(smooth, low, high, size=size, within=within, found=found)
    return tuple(sorted(found, key=lambda rise: rise.start))


def _find_upward_legs(values: FloatArray, reversal: float) -> list[tuple[int, int]]:
    """Return trough and peak index of each upward leg of the zigzag."""
    legs: list[tuple[int, int]] = []
    trough = peak = 0
    is_up = False
    series = values.tolist()
    for index, value in enumerate(series):
        if is_up:
            if value > series[peak]:
                peak = index
            elif series[peak] - value >= reversal:
                legs.append((trough, peak))
                is_up, trough = False, index
        elif value < series[trough]:
            trough = index
        elif value - series[trough] >= reversal:
            is_up, peak = True, index
    if is_up:
        legs.append((trough, peak))
    return legs


def _collect_rises(
    values: FloatArray, first: int, last: int, *, size: float, within: int, found: list[Rise]
) -> None:
    """Take the steepest rise of a leg, then look before and behind it."""
    if last <= first or values[last] - values[first] < size:
        return
    index = np.arange(first, last + 1)
    ahead = np.minimum(index + within, last)
    gains = values[ahead] - values[index]
    best = int(np.argmax(gains))
    if gains[best] < size:
        return
    begin, finish = int(index[best]), int(ahead[best])
    low, gain = float(values[begin]), float(gains[best])
    part = values[begin : finish + 1]
    top = begin + int(np.argmax(part >= low + _TOP * gain))
    below = np.flatnonzero(part[: top - begin + 1] <= low + _FOOT * gain)
    foot = begin + int(below[-1])
    found.append(Rise(foot, top, float(values[foot]), float(values[top])))
    _collect_rises(values, first, begin, size=size, within=within, found=found)
    _collect_rises(values, finish, last, size=size, within=within, found=found)


def follow_rise(
    reference: FloatArray, test: FloatArray, rise: Rise, *, patience: int, usual_offset: float = 0.0
) -> Following:
    """Measure how ``test`` follows a rise of ``reference``, both `(n_seconds,)`, NaN missing.

    The difference before the rise is taken off, so that a constant bias is no delay:
    ``usual_offset``, that of the whole series, unless the median of the 30 s before is more than 3
    away from it, since half a minute of noisy errors has no sharp median. Both are smoothed alike
    over 5 s. Looked for until ``patience`` seconds after the rise. Formula: delay = crossing of the
    level by the test - crossing by the reference, straight between seconds, averaged over the
    levels of 40 to 60 % for half the rise; shortfall = mean(reference - test) in the 5 s from the
    end of the rise.

    Parameters
    ----------
    reference, test
        Series on a 1 s grid, shape ``(n_seconds,)``, NaN where missing.
    rise
        The rise of the reference.
    patience
        How long after the rise the test is looked for [s].
    usual_offset
        Median difference of the whole series, in their unit.

    Returns
    -------
    Following
        Delay at half the rise and at 90 % [s], shortfall in the unit of the series; NaN for what
        did not come.
    """
    before = slice(max(rise.start - _BASE_S, 0), rise.start)
    difference = (test - reference)[before]
    known = difference[np.isfinite(difference)]
    offset = float(np.median(known)) if known.size else usual_offset
    if abs(offset - usual_offset) <= _OFFSET_ROOM:
        offset = usual_offset
    span = slice(max(rise.start - _BASE_S, 0), min(rise.end + patience, reference.size))
    own = compute_running_mean(reference[span], width=_FOLLOW_SMOOTH_S)
    other = compute_running_mean(test[span], width=_FOLLOW_SMOOTH_S) - offset
    delay_half, delay_near = (
        float(np.mean([_delay_at(own, other, rise.low + share * rise.size) for share in shares]))
        for shares in (_HALF, _NEAR)
    )
    at_end = slice(rise.end, rise.end + _END_S)
    lacking = (reference - test)[at_end] + offset
    lacking = lacking[np.isfinite(lacking)]
    shortfall = float(lacking.mean()) if lacking.size else NAN
    return Following(rise, delay_half, delay_near, shortfall, offset)


def _delay_at(own: FloatArray, other: FloatArray, level: float) -> float:
    return cross_upward(other, level) - cross_upward(own, level)


def cross_upward(values: FloatArray, level: float) -> float:
    """Return the place of the first upward crossing of a level, straight between samples.

    Parameters
    ----------
    values
        Series on a 1 s grid, shape ``(n_seconds,)``, NaN where missing.
    level
        The level, in the unit of the values.

    Returns
    -------
    float
        Index with its fraction; NaN where the level is not crossed.
    """
    with np.errstate(invalid="ignore"):
        above = values >= level
    crossing = np.flatnonzero(above[1:] & ~above[:-1] & np.isfinite(values[:-1])) + 1
    if not crossing.size:
        return NAN
    after = int(crossing[0])
    low, high = float(values[after - 1]), float(values[after])
    return after - 1 + (level - low) / (high - low)
