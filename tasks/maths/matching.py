"""Which place of a line each fix belongs to, found in order along the line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.maths.candidates import find_candidates, project_on_legs, take_side

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray, FloatArray, IntArray
    from tasks.maths.candidates import Candidates
    from tasks.maths.lines import Line

#: Spread of a fix about its place [m]; how much the way along the line may differ from the way
#: between two fixes [m]. Only the order of passes depends on them, not the distances.
_FIX_SD_M: Final = 5.0
_WAY_M: Final = 3.0
#: Beyond this many spreads a fix weighs no more with its square: a jump must not buy a detour.
_ROBUST: Final = 3.0
#: Room before and behind when a stretch without candidates is looked up between its neighbours.
_ROOM_M: Final = 30.0
#: So far before the start of a line, or behind its end, a fix is not on it any more [m].
_BEYOND_M: Final = 1.0
_BLOCK_CELLS: Final = 2_000_000
#: Candidates up to which plain loops are faster than arrays.
_FEW: Final = 4


@dataclass(frozen=True, slots=True)
class Matched:
    """Where each fix ``(n_fixes,)`` belongs.

    ``along_m`` counts on over the rounds of a line that closes; ``distance_m`` is the distance to
    the line, ``side_m`` the same signed, right of the way positive, left negative. ``leg`` is the
    leg of the line. ``is_on`` is False for fixes before the line is reached and after it is left:
    they have no place (NaN). ``is_gap`` marks places on legs that bridge what was not recorded.
    ``is_reversed`` says that the line was run from its end to its start.
    """

    along_m: FloatArray
    distance_m: FloatArray
    side_m: FloatArray
    leg: IntArray
    is_on: BoolArray
    is_gap: BoolArray
    line: Line
    is_reversed: bool


def match_in_order(
    east_m: FloatArray,
    north_m: FloatArray,
    *,
    line: Line,
    reach_m: float,
    seconds: FloatArray | None = None,
    window_s: float | None = None,
    is_jump: BoolArray | None = None,
) -> Matched:
    """Match fixes ``(n_fixes,)``, in order of time and without gaps, to a line.

    Each fix may belong to every pass of the line within ``reach_m``; the chain of places is the one
    with the least sum of squared distances and of differences between the way along the line and
    the way between the fixes, so that a crossing, the way back beside the way out and another round
    are separated by the direction and order of travel, not by the nearest leg. Fixes without a
    place in reach, and those marked ``is_jump``, are matched to the part of the line between their
    neighbours; at the start and the end they are off the line. A line without times is also tried
    from its end.

    Parameters
    ----------
    east_m, north_m
        Fixes in order of time, shape ``(n_fixes,)``, without missing ones [m].
    line
        The line that they are matched to.
    reach_m
        Places farther away are left out [m].
    seconds
        Times of the fixes, shape ``(n_fixes,)`` [s]; None for a line without times.
    window_s
        Where the line has times, only places passed within this of the fix count [s].
    is_jump
        Fixes that are matched by their neighbours, shape ``(n_fixes,)``.

    Returns
    -------
    Matched
        Place along the line and distance from it of each fix [m].

    References
    ----------
    The chain is that of Newson and Krumm 2009, Hidden Markov map matching through noise and
    sparseness, ACM SIGSPATIAL GIS, with normal instead of network distances.
    """
    matched = _match(
        east_m,
        north_m,
        line,
        reach_m=reach_m,
        seconds=seconds,
        window_s=window_s,
        is_jump=is_jump,
    )
    if line.seconds is not None or not _runs_backwards(matched, east_m, north_m):
        return matched
    turned = _match(
        east_m,
        north_m,
        line.reverse(),
        reach_m=reach_m,
        seconds=None,
        window_s=None,
        is_jump=is_jump,
    )
    return Matched(
        turned.along_m,
        turned.distance_m,
        turned.side_m,
        turned.leg,
        turned.is_on,
        turned.is_gap,
        turned.line,
        is_reversed=True,
    )


def _runs_backwards(matched: Matched, east_m: FloatArray, north_m: FloatArray) -> bool:
    on = matched.is_on
    way = np.hypot(np.diff(east_m[on]), np.diff(north_m[on])).sum()
    return bool(np.diff(matched.along_m[on]).sum() < -0.3 * way)


def _match(
    east_m: FloatArray,
    north_m: FloatArray,
    line: Line,
    *,
    reach_m: float,
    seconds: FloatArray | None,
    window_s: float | None,
    is_jump: BoolArray | None,
) -> Matched:
    n = east_m.size
    usable = np.ones(n, dtype=np.bool_) if is_jump is None else ~is_jump
    found = find_candidates(
        east_m, north_m, line, usable=usable, reach_m=reach_m, seconds=seconds, window_s=window_s
    )
    chosen = _choose_chain(found, east_m, north_m, line.cycle_m)
    fix = found.fix[chosen]
    leg = np.full(n, -1, dtype=np.int64)
    along, distance = np.full(n, np.nan), np.full(n, np.nan)
    leg[fix], along[fix], distance[fix] = (
        found.leg[chosen],
        found.along_m[chosen],
        (found.distance_m[chosen]),
    )
    if line.cycle_m is not None and fix.size:
        along[fix] = _count_rounds(along[fix], east_m[fix], north_m[fix], line.cycle_m)
    _crop_ends(leg, along, distance, east_m, north_m, line)
    _fill_between(leg, along, distance, east_m, north_m, line)
    on = leg >= 0
    side = np.full(n, np.nan)
    side[on] = take_side(east_m[on], north_m[on], line, leg[on], along[on], distance[on])
    gap = np.zeros(n, dtype=np.bool_)
    gap[on] = line.is_gap[leg[on]]
    return Matched(along, distance, side, leg, on, gap, line, is_reversed=False)


# --- the chain --------------------------------------------------------------------------------
def _choose_chain(
    found: Candidates, east_m: FloatArray, north_m: FloatArray, cycle_m: float | None
) -> IntArray:
    """Return the index of the chosen candidate of each fix that has any, in order of the fixes."""
    if not found.fix.size:
        return np.empty(0, dtype=np.int64)
    starts = np.flatnonzero(np.concatenate([[True], found.fix[1:] != found.fix[:-1]]))
    counts = np.diff(np.append(starts, found.fix.size))
    fixes = found.fix[starts]
    step = np.hypot(np.diff(east_m[fixes]), np.diff(north_m[fixes]))
    scaled = found.distance_m / _FIX_SD_M
    miss = np.where(scaled < _ROBUST, scaled**2 / 2, _ROBUST * (scaled - _ROBUST / 2))
    chosen = starts.copy()
    # Only stretches between two fixes with one place each leave a choice.
    several = np.flatnonzero(counts > 1)
    if not several.size:
        return chosen
    breaks = np.flatnonzero(np.diff(several) > 1)
    begins = several[np.concatenate([[0], breaks + 1])]
    ends = several[np.concatenate([breaks, [several.size - 1]])]
    for begin, end in zip(begins.tolist(), ends.tolist(), strict=True):
        low, high = max(begin - 1, 0), min(end + 1, starts.size - 1)
        sizes = counts[low : high + 1].tolist()
        first, last = int(starts[low]), int(starts[high] + counts[high])
        chosen[low : high + 1] += _walk_chain(
            sizes,
            found.along_m[first:last],
            miss[first:last],
            step[low:high].tolist(),
            cycle_m,
        )
    return chosen


def _walk_chain(
    sizes: list[int],
    along_m: FloatArray,
    miss: FloatArray,
    steps: list[float],
    cycle_m: float | None,
) -> IntArray:
    """Return which candidate of each fix the cheapest chain takes (Viterbi 1967)."""
    places = np.split(along_m, np.cumsum(sizes)[:-1])
    misses = np.split(miss, np.cumsum(sizes)[:-1])
    cost = misses[0]
    back: list[IntArray] = []
    for step, before, here, missed in zip(steps, places, places[1:], misses[1:], strict=False):
        if before.size <= _FEW and here.size <= _FEW:
            cost, came = _step_few(cost.tolist(), before.tolist(), here.tolist(), step, cycle_m)
        else:
            off = here[None, :] - before[:, None] - step
            if cycle_m is not None:
                off -= cycle_m * np.round(off / cycle_m)
            total = cost[:, None] + np.abs(off) / _WAY_M
            came = np.argmin(total, axis=0)
            cost = total[came, np.arange(here.size)]
        cost = cost + missed
        back.append(came)
    at = int(np.argmin(cost))
    taken = [at]
    for came in reversed(back):
        at = int(came[at])
        taken.append(at)
    return np.array(taken[::-1], dtype=np.int64)


def _step_few(
    cost: list[float],
    before: list[float],
    here: list[float],
    step: float,
    cycle_m: float | None,
) -> tuple[FloatArray, IntArray]:
    costs, came = [], []
    for place in here:
        best, best_from = float("inf"), 0
        for index, (spent, was) in enumerate(zip(cost, before, strict=True)):
            off = place - was - step
            if cycle_m is not None:
                off -= cycle_m * round(off / cycle_m)
            total = spent + abs(off) / _WAY_M
            if total < best:
                best, best_from = total, index
        costs.append(best)
        came.append(best_from)
    return np.array(costs), np.array(came, dtype=np.int64)


def _count_rounds(
    along_m: FloatArray, east_m: FloatArray, north_m: FloatArray, cycle_m: float
) -> FloatArray:
    """Let the way run on over the rounds: each step is the one nearest to that of the fixes."""
    step = np.hypot(np.diff(east_m), np.diff(north_m))
    moved = np.diff(along_m)
    # Backwards along the line is as likely as forwards until the direction is known.
    forward = moved - cycle_m * np.round((moved - step) / cycle_m)
    backward = moved - cycle_m * np.round((moved + step) / cycle_m)
    back = np.abs(backward + step) < np.abs(forward - step)
    return np.concatenate([along_m[:1], along_m[0] + np.cumsum(np.where(back, backward, forward))])


# --- ends and gaps ----------------------------------------------------------------------------
def _crop_ends(
    leg: IntArray,
    along: FloatArray,
    distance: FloatArray,
    east_m: FloatArray,
    north_m: FloatArray,
    line: Line,
) -> None:
    """Take away the fixes that stand before the start of an open line or behind its end."""
    if line.cycle_m is not None:
        return
    on = np.flatnonzero(leg >= 0)
    last = line.east_m.size - 1
    for order, end, inner in ((on, 0, 1), (on[::-1], last, last - 1)):
        out_east = line.east_m[end] - line.east_m[inner]
        out_north = line.north_m[end] - line.north_m[inner]
        beyond = (east_m[order] - line.east_m[end]) * out_east
        beyond += (north_m[order] - line.north_m[end]) * out_north
        is_beyond = beyond > _BEYOND_M * float(np.hypot(out_east, out_north))
        is_beyond &= np.abs(along[order] - line.along_m[end]) < 1e-6  # noqa: PLR2004 - the end
        inside = np.flatnonzero(~is_beyond)
        dropped = order[: inside[0] if inside.size else order.size]
        leg[dropped], along[dropped], distance[dropped] = -1, np.nan, np.nan


def _fill_between(
    leg: IntArray,
    along: FloatArray,
    distance: FloatArray,
    east_m: FloatArray,
    north_m: FloatArray,
    line: Line,
) -> None:
    """Return fixes without a place the nearest one between the places of their neighbours."""
    on = np.flatnonzero(leg >= 0)
    if not on.size:
        return
    for k in np.flatnonzero(np.diff(on) > 1).tolist():
        first, last = int(on[k]), int(on[k + 1])
        low = min(along[first], along[last]) - _ROOM_M
        high = max(along[first], along[last]) + _ROOM_M
        legs, shift = _list_legs(line, float(low), float(high))
        inside = np.arange(first + 1, last)
        for block in np.array_split(inside, max(1, inside.size * legs.size // _BLOCK_CELLS)):
            places, apart = project_on_legs(
                east_m[block, None], north_m[block, None], line, legs[None, :]
            )
            best = np.argmin(apart, axis=1)
            rows = np.arange(block.size)
            leg[block] = legs[best]
            along[block] = places[rows, best] + shift[best]
            distance[block] = apart[rows, best]


def _list_legs(line: Line, low_m: float, high_m: float) -> tuple[IntArray, FloatArray]:
    """Return the legs of a part of the line and what their rounds add to the way."""
    if line.cycle_m is None:
        first = max(int(np.searchsorted(line.along_m, low_m, side="right")) - 1, 0)
        last = min(int(np.searchsorted(line.along_m, high_m, side="left")), line.is_gap.size)
        legs = np.arange(first, max(last, first + 1))
        return legs, np.zeros(legs.size)
    turns = np.arange(np.floor(low_m / line.cycle_m), np.floor(high_m / line.cycle_m) + 1)
    n_legs = line.is_gap.size
    legs = np.tile(np.arange(n_legs), turns.size)
    shift = np.repeat(turns * line.cycle_m, n_legs)
    inside = (line.along_m[legs + 1] + shift >= low_m) & (line.along_m[legs] + shift <= high_m)
    return legs[inside], shift[inside]
