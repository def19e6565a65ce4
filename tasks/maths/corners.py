"""Corners of a line, and how a track passes them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.maths.lines import resample_evenly
from tasks.maths.runs import find_runs

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray, FloatArray
    from tasks.maths.lines import Line

#: Directions are those of chords of this length [m].
_CHORD_M: Final = 5.0
#: A turn is looked for at every metre.
_STEP_M: Final = 1.0
#: Whoever needs longer for the way of a turn stood still; the scatter of fixes is no corner [s].
_LONGEST_TURN_S: Final = 60.0
_PLATEAU: Final = 0.98
_TURN_BACK_DEG: Final = 170.0


@dataclass(frozen=True, slots=True)
class Corner:
    """A turn of a line: its middle, and by how much it turns within the given way, left > 0."""

    along_m: float
    east_m: float
    north_m: float
    turn_deg: float

    @property
    def goes_back(self) -> bool:
        """Say whether the line turns back the way it came, so that its side is chance."""
        return abs(self.turn_deg) >= _TURN_BACK_DEG


@dataclass(frozen=True, slots=True)
class Passage:
    """How a track passes a corner.

    ``depth_m`` is the distance from the apex to the track, inside positive, outside negative;
    ``lost_m`` the way along the line minus the way along the track; ``turn_deg`` the turn of the
    track over the same way, positive to the corner's own side.
    """

    depth_m: float
    lost_m: float
    turn_deg: float


def find_corners(line: Line, *, least_turn_deg: float, within_m: float) -> tuple[Corner, ...]:
    """Return the turns of at least ``least_turn_deg`` within ``within_m`` of a line.

    The turn at a place is the change of direction over ``within_m`` about it, directions being
    those of chords of 5 m; neighbouring places of one turn are one corner, its apex where the
    change is greatest (the middle of those within 2 % of it). Legs that bridge a gap turn nothing.

    Parameters
    ----------
    line
        The line.
    least_turn_deg
        Smaller turns are none [degrees].
    within_m
        Way over which a turn is measured [m].

    Returns
    -------
    tuple of Corner
        In order along the line.
    """
    half = within_m / 2
    margin = half + _CHORD_M / 2
    begin = 0.0 if line.cycle_m is not None else margin
    end = line.length_m if line.cycle_m is not None else line.length_m - margin
    if end - begin < _STEP_M:
        return ()
    at = np.arange(begin, end, _STEP_M)
    turn = _measure_turns(line, at, half)
    turn[_mark_unusable(line, at, margin)] = 0.0
    if line.cycle_m is not None:
        # Begin where the line is straight, so that no corner lies across the ends.
        first = int(np.argmin(np.abs(turn)))
        at = np.concatenate([at[first:], at[:first] + line.cycle_m])
        turn = np.roll(turn, -first)
    limit = np.radians(least_turn_deg)
    corners = []
    for side in (1.0, -1.0):
        for run in find_runs(turn * side >= limit):
            inside = turn[run.start : run.end] * side
            flat = np.flatnonzero(inside >= _PLATEAU * inside.max())
            apex = run.start + (int(flat[0]) + int(flat[-1])) / 2
            along = float(np.interp(apex, np.arange(at.size), at))
            if line.cycle_m is not None:
                along %= line.cycle_m
            east, north = line.locate(np.array([along]))
            turn_deg = float(np.degrees(side * inside.max()))
            corners.append(Corner(along, float(east[0]), float(north[0]), turn_deg))
    return tuple(sorted(corners, key=lambda corner: corner.along_m))


def _measure_turns(line: Line, at: FloatArray, half: float) -> FloatArray:
    """Return the change of direction over twice ``half`` about even places [rad], left positive.

    Small turns are added up, so that a hairpin turns by half a circle and not by nothing.
    """
    steps = round(half / _STEP_M)
    before = at[0] + _STEP_M * np.arange(-steps, 0)
    behind = at[-1] + _STEP_M * np.arange(1, steps + 1)
    direction = np.unwrap(_point(line, np.concatenate([before, at, behind])))
    turns: FloatArray = direction[2 * steps :] - direction[: direction.size - 2 * steps]
    return turns


def _point(line: Line, at: FloatArray) -> FloatArray:
    """Return the direction of the line at ways along it [rad, from east to north]."""
    ahead_east, ahead_north = line.locate(at + _CHORD_M / 2)
    behind_east, behind_north = line.locate(at - _CHORD_M / 2)
    direction: FloatArray = np.arctan2(ahead_north - behind_north, ahead_east - behind_east)
    return direction


def _wrap(angle: FloatArray) -> FloatArray:
    return (angle + np.pi) % (2 * np.pi) - np.pi


def _mark_unusable(line: Line, at: FloatArray, margin: float) -> BoolArray:
    """Mark places near gaps of the line, and those at which the line stood still."""
    unusable = np.zeros(at.size, dtype=np.bool_)
    if line.is_gap.any():
        gaps = np.concatenate([[0.0], np.cumsum(line.is_gap.astype(np.float64))])
        passed = np.interp(at + margin, line.along_m, gaps)
        unusable |= passed - np.interp(at - margin, line.along_m, gaps) > 0
    if line.seconds is not None:
        took = np.interp(at + margin, line.along_m, line.seconds)
        took = took - np.interp(at - margin, line.along_m, line.seconds)
        unusable |= took > _LONGEST_TURN_S
    return unusable


def measure_passage(
    corner: Corner,
    east_m: FloatArray,
    north_m: FloatArray,
    along_m: FloatArray,
    *,
    inside_rad: float,
    within_m: float,
) -> Passage | None:
    """Measure how fixes ``(n_fixes,)`` about a corner pass it; None where they do not reach it.

    A line that goes straight back the way it came turns to no side: the track may turn to either.

    Parameters
    ----------
    corner
        The corner of the line.
    east_m, north_m
        Fixes about it, shape ``(n_fixes,)`` [m].
    along_m
        Where the fixes belong on the line, shape ``(n_fixes,)`` [m].
    inside_rad
        Direction from the apex to the inside [rad, from east to north].
    within_m
        How far beyond the corner the fixes must reach on both sides [m].

    Returns
    -------
    Passage or None
        None where the fixes do not reach that far.
    """
    if east_m.size < 2 or not along_m[0] < corner.along_m < along_m[-1]:  # noqa: PLR2004 - a leg
        return None
    east, north = resample_evenly(east_m, north_m, spacing_m=_STEP_M / 4)
    off_east, off_north = east - corner.east_m, north - corner.north_m
    apart = np.hypot(off_east, off_north)
    nearest = int(np.argmin(apart))
    inside = np.cos(inside_rad) * off_east[nearest] + np.sin(inside_rad) * off_north[nearest]
    reach = _reach_track(east_m - corner.east_m, north_m - corner.north_m)
    depth = reach if inside >= 0 else -reach
    own_way = float(np.hypot(np.diff(east_m), np.diff(north_m)).sum())
    lost = float(along_m[-1] - along_m[0]) - own_way
    turn = _measure_turn(east, north, nearest, within_m=within_m)
    if turn is None:
        return None
    side = float(np.sign(turn if corner.goes_back else corner.turn_deg))
    return Passage(depth, lost, float(np.degrees(side * turn)))


def _reach_track(east_m: FloatArray, north_m: FloatArray) -> float:
    """Return the distance of the origin from a track [m]."""
    leg_east, leg_north = np.diff(east_m), np.diff(north_m)
    square = np.maximum(leg_east**2 + leg_north**2, 1e-12)
    share = np.clip(-(east_m[:-1] * leg_east + north_m[:-1] * leg_north) / square, 0.0, 1.0)
    reach = np.hypot(east_m[:-1] + share * leg_east, north_m[:-1] + share * leg_north)
    return float(reach.min())


def _measure_turn(
    east: FloatArray, north: FloatArray, nearest: int, *, within_m: float
) -> float | None:
    """Return the change of direction of a finely resampled track about a place [rad]."""
    step = float(np.hypot(east[1] - east[0], north[1] - north[0])) if east.size > 1 else 0.0
    if step <= 0:
        return None
    chord = max(1, round(_CHORD_M / 2 / step))
    half = max(1, round(within_m / 2 / step))
    if nearest - half - chord < 0 or nearest + half + chord >= east.size:
        return None
    places = np.arange(nearest - half, nearest + half + 1)
    direction = np.unwrap(
        np.arctan2(
            north[places + chord] - north[places - chord],
            east[places + chord] - east[places - chord],
        )
    )
    return float(direction[-1] - direction[0])


def compute_inside_rad(line: Line, along_m: float) -> float:
    """Return the direction to the inside of a corner [rad, from east to north].

    That is from the apex to the middle between the places 10 m before and behind it.

    Parameters
    ----------
    line
        The line.
    along_m
        Place of the apex along it [m].

    Returns
    -------
    float
        Direction [rad, from east to north].
    """
    east, north = line.locate(np.array([along_m - 10.0, along_m, along_m + 10.0]))
    return float(np.arctan2(north[0] + north[2] - 2 * north[1], east[0] + east[2] - 2 * east[1]))


def compute_turning_rad(east_m: FloatArray, north_m: FloatArray, *, spacing_m: float) -> float:
    """Return the summed absolute turning of a track resampled every ``spacing_m`` [rad].

    Parameters
    ----------
    east_m, north_m
        Track, shape ``(n_points,)`` [m].
    spacing_m
        Distance of the points that it is resampled to [m].

    Returns
    -------
    float
        Sum of the absolute changes of direction [rad].
    """
    east, north = resample_evenly(east_m, north_m, spacing_m=spacing_m)
    if east.size < 3:  # noqa: PLR2004 - a turn has three points
        return 0.0
    direction = np.arctan2(np.diff(north), np.diff(east))
    return float(np.abs(_wrap(np.diff(direction))).sum())
