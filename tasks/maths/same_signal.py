"""Whether two series are one signal that two devices recorded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.maths.arrays import NAN, require_same_shape
from tasks.maths.smoothing import compute_running_mean

if TYPE_CHECKING:
    from collections.abc import Callable

    from tasks.maths.arrays import FloatArray

_MAX_SHIFT: Final = 3
_FEWEST_SECONDS: Final = 300
_LEAST_RANGE: Final = 15.0
_SHARE_EQUAL: Final = 0.7
_NEVER_BEYOND: Final = 3.0
_NEVER_QUANTILE: Final = 0.99
_EQUAL_WITHIN: Final = 0.5


@dataclass(frozen=True, slots=True)
class Sameness:
    """Share of seconds with equal values at the best shift, and what follows from it."""

    share_equal: float
    shift: int
    is_same: bool


def compare_signals(first: FloatArray, second: FloatArray) -> Sameness:
    """Say whether two heart rates `(n_seconds,)` [bpm] are probably one signal.

    Looks at shifts of up to 3 s, for clocks. They are where at least 70 % of the seconds are equal
    to the whole number, 99 % are within 3 bpm, and the heart rate moves over 15 bpm or more in at
    least five minutes together. Two sensors of their own differ by a beat or two most of the time.
    What it does not tell: which of the two had the sensor.

    Parameters
    ----------
    first, second
        Heart rates on a 1 s grid, shape ``(n_seconds,)``, NaN where missing [bpm].

    Returns
    -------
    Sameness
        Whether they are one signal, with the share of equal seconds and the shift [s].

    Raises
    ------
    ValueError
        If the shapes differ.

    References
    ----------
    Own choice; the two open recordings of one strap that it was made with are equal in 93 and 78 %
    of the seconds.
    """
    require_same_shape(first, second)
    return _try_shifts((first,), (second,), lambda one, other: _compare_rates(one[0], other[0]))


def _compare_rates(here: FloatArray, there: FloatArray) -> tuple[float, bool]:
    apart = np.abs(here - there)
    share = float(np.mean(apart < _EQUAL_WITHIN))
    if share < _SHARE_EQUAL or float(np.quantile(apart, _NEVER_QUANTILE)) > _NEVER_BEYOND:
        return share, False
    low, high = np.quantile(here, [0.01, 0.99])
    return share, float(high - low) >= _LEAST_RANGE


# --- channels that are not heart rate ---------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Likeness:
    """What makes two series one signal: how near, how often, and how much they must vary.

    ``levels`` says that a constant between the two is taken off first; ``share_whole`` is the share
    that two series of whole numbers need, which sensors of their own often share.
    """

    within: float
    share: float
    least_sd: float
    levels: bool = False
    share_whole: float = 1.0


#: Two receivers, sensors or barometers of their own differ by more than this nearly always. Own
#: choice: `tests/unit/maths/test_same_signal.py` has the rates.
SPEED: Final = Likeness(within=0.03, share=0.8, least_sd=0.2)
HEIGHT: Final = Likeness(within=0.06, share=0.8, least_sd=2.0, levels=True, share_whole=0.97)
_NEAR_M: Final = 0.3
_LEAST_WAY_M: Final = 200.0
#: Counters: how near after offset and lag [m] and in time [s], what whole metres add [m], the mean
#: over a minute [m], how often, the least way, and how far it must leave a straight line [m].
_COUNTERS_WITHIN_M: Final = 0.3
_JITTER_S: Final = 0.15
_WHOLE_M: Final = 0.7
_COUNTERS_SLOW_M: Final = 0.2
_MINUTE_S: Final = 61
_COUNTERS_SHARE: Final = 0.9
_COUNTERS_WAY_M: Final = 2500.0
_COUNTERS_BEND_M: Final = 5.0


def compare_series(first: FloatArray, second: FloatArray, likeness: Likeness) -> Sameness:
    """Say whether two series are probably one signal, at the best shift of up to 3 s.

    Parameters
    ----------
    first, second
        Shape ``(n_seconds,)``, NaN where missing.
    likeness
        What makes them one.

    Returns
    -------
    Sameness
        ``shift`` is the seconds by which the second is late.

    Raises
    ------
    ValueError
        If the shapes differ.
    """
    require_same_shape(first, second)

    def measure(here: FloatArray, there: FloatArray) -> tuple[float, bool]:
        apart = here - there
        if likeness.levels:
            apart = apart - np.median(apart)
        is_whole = likeness.share_whole < 1.0 and not (here % 1).any() and not (there % 1).any()
        share = float(np.mean(np.abs(apart) <= likeness.within))
        needed = likeness.share_whole if is_whole else likeness.share
        return share, share >= needed and float(np.std(here)) >= likeness.least_sd

    return _try_shifts((first,), (second,), lambda one, other: measure(one[0], other[0]))


def compare_places(first: FloatArray, second: FloatArray) -> Sameness:
    """Say whether two tracks are probably one: four fifths of the seconds within 0.3 m over 200 m.

    The error of a receiver wanders by metres, and two receivers have errors of their own.

    Parameters
    ----------
    first, second
        East and north in one plane [m], shape ``(2, n_seconds)``, NaN where missing.

    Returns
    -------
    Sameness
        ``shift`` is the seconds by which the second is late.
    """

    def measure(here: FloatArray, there: FloatArray) -> tuple[float, bool]:
        share = float(np.mean(np.hypot(*(here - there)) <= _NEAR_M))
        way = float(np.hypot(*np.diff(here, axis=1)).sum())
        return share, share >= SPEED.share and way >= _LEAST_WAY_M

    return _try_shifts(tuple(first), tuple(second), measure)


def compare_counters(first: FloatArray, second: FloatArray) -> Sameness:
    """Say whether two distance counters are probably one.

    Offset and part of a second are fitted by least squares at each shift: a counter that is sent on
    begins anywhere and comes late. They are one where what is left is rounding and jitter: nine
    tenths of the seconds within 0.15 s of way (at least 0.3 m, of whole metres 0.7 m more) and of
    their means over a minute within 0.2 m, over 2.5 km or more that leave a straight line of time
    by an SD of 5 m. Two counters of their own wander and differ by parts of a percent.

    Parameters
    ----------
    first, second
        Counters [m], shape ``(n_seconds,)``, NaN where missing.

    Returns
    -------
    Sameness
        ``shift`` is the seconds by which the second is late.

    Raises
    ------
    ValueError
        If the shapes differ.
    """
    require_same_shape(first, second)
    return _try_shifts((first,), (second,), lambda one, other: _compare_ways(one[0], other[0]))


def _compare_ways(here: FloatArray, there: FloatArray) -> tuple[float, bool]:
    speed = np.gradient(here)
    is_whole = not (here % 1).any() or not (there % 1).any()
    within = max(_COUNTERS_WITHIN_M, _JITTER_S * float(np.median(speed))) + _WHOLE_M * is_whole
    late_s = _fit_slope(speed, here - there)
    apart = here - there - float(np.clip(late_s, -1.0, 1.0)) * speed
    apart = apart - np.median(apart)
    share = float(np.mean(np.abs(apart) <= within))
    if share < _COUNTERS_SHARE or float(here[-1] - here[0]) < _COUNTERS_WAY_M:
        return share, False
    slow = compute_running_mean(apart, width=_MINUTE_S)
    if float(np.mean(np.abs(slow) <= _COUNTERS_SLOW_M)) < _COUNTERS_SHARE:
        return share, False
    at = np.arange(here.size, dtype=np.float64)
    bend = here - np.polyval(np.polyfit(at, here, 1), at)
    return share, float(np.std(bend)) >= _COUNTERS_BEND_M


def _fit_slope(of: FloatArray, values: FloatArray) -> float:
    """Return the slope of the least squares line; 0 where nothing varies."""
    centred = of - of.mean()
    square = float(centred @ centred)
    return float(centred @ values) / square if square else 0.0


def _try_shifts(
    first: tuple[FloatArray, ...],
    second: tuple[FloatArray, ...],
    measure: Callable[[FloatArray, FloatArray], tuple[float, bool]],
) -> Sameness:
    best = Sameness(NAN, 0, is_same=False)
    one, other = np.vstack(first), np.vstack(second)
    n = one.shape[1]
    for shift in sorted(range(-_MAX_SHIFT, _MAX_SHIFT + 1), key=abs):
        here = one[:, max(0, -shift) : n - max(0, shift)]
        there = other[:, max(0, shift) : n - max(0, -shift)]
        both = np.isfinite(here).all(axis=0) & np.isfinite(there).all(axis=0)
        if both.sum() < _FEWEST_SECONDS:
            continue
        share, is_same = measure(here[:, both], there[:, both])
        if not np.isfinite(best.share_equal) or share > best.share_equal:
            best = Sameness(share, shift, is_same)
    return best
