"""Places of a line near a fix: the nearest one of each pass."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray, FloatArray, IntArray
    from tasks.maths.lines import Line

#: Legs are looked up in groups of about this length [m].
_GROUP_M: Final = 25.0
#: Two places nearer than this along the line are one pass [m].
_ONE_PASS_M: Final = 5.0
_BLOCK_PAIRS: Final = 3_000_000


@dataclass(frozen=True, slots=True)
class Candidates:
    """Places ``(n_candidates,)``, ordered by fix, then along the line."""

    fix: IntArray
    leg: IntArray
    along_m: FloatArray
    distance_m: FloatArray


@dataclass(frozen=True, slots=True)
class _Groups:
    """Runs of consecutive legs: first leg, number of legs, circle about them, times."""

    first: IntArray
    count: IntArray
    centres: FloatArray
    radii: FloatArray
    begins: FloatArray | None
    ends: FloatArray | None


def find_candidates(
    east_m: FloatArray,
    north_m: FloatArray,
    line: Line,
    *,
    usable: BoolArray,
    reach_m: float,
    seconds: FloatArray | None = None,
    window_s: float | None = None,
) -> Candidates:
    """Return for each usable fix ``(n_fixes,)`` the nearest place of each pass within ``reach_m``.

    A pass is a place nearer than those just before and behind it along the line.

    Parameters
    ----------
    east_m, north_m
        Fixes in one plane, shape ``(n_fixes,)`` [m].
    line
        The line that they may belong to.
    usable
        Fixes that are looked at, shape ``(n_fixes,)``.
    reach_m
        Places farther away are left out [m].
    seconds
        Times of the fixes, shape ``(n_fixes,)`` [s]; None for a line without times.
    window_s
        Where the line has times, only legs passed within this of the fix count [s].

    Returns
    -------
    Candidates
        Places by fix, sorted by fix.
    """
    from scipy.spatial import cKDTree  # noqa: PLC0415 - scipy is slow to import

    groups = _group_legs(line)
    asked = np.flatnonzero(usable)
    tree = cKDTree(groups.centres)
    parts = []
    per_fix = max(1.0, 4 * reach_m / _GROUP_M)
    n_blocks = max(1, int(asked.size * per_fix * 4 / _BLOCK_PAIRS))
    for block in np.array_split(asked, n_blocks):
        if not block.size:
            continue
        near = cKDTree(np.column_stack([east_m[block], north_m[block]])).sparse_distance_matrix(
            tree, reach_m + float(groups.radii.max()), output_type="ndarray"
        )
        fix, group = block[near["i"]], near["j"].astype(np.int64)
        kept = near["v"] <= reach_m + groups.radii[group]
        if groups.begins is not None and groups.ends is not None and window_s is not None:
            if seconds is None:
                raise ValueError("a line with times needs the times of the fixes")
            kept &= (groups.begins[group] <= seconds[fix] + window_s) & (
                groups.ends[group] >= seconds[fix] - window_s
            )
        parts.append(_take_passes(east_m, north_m, line, groups, fix[kept], group[kept], reach_m))
    if not parts:
        none = np.empty(0, dtype=np.int64)
        return Candidates(none, none, np.empty(0), np.empty(0))
    return Candidates(
        np.concatenate([part.fix for part in parts]),
        np.concatenate([part.leg for part in parts]),
        np.concatenate([part.along_m for part in parts]),
        np.concatenate([part.distance_m for part in parts]),
    )


def _group_legs(line: Line) -> _Groups:
    east, north = line.east_m, line.north_m
    n_legs = east.size - 1
    number = np.floor(line.along_m[:-1] / _GROUP_M)
    first = np.flatnonzero(np.concatenate([[True], np.diff(number) > 0]))
    count = np.diff(np.append(first, n_legs))

    def reach(values: FloatArray) -> tuple[FloatArray, FloatArray]:
        low = np.minimum(values[:-1], values[1:])
        high = np.maximum(values[:-1], values[1:])
        return np.minimum.reduceat(low, first), np.maximum.reduceat(high, first)

    west, far_east = reach(east)
    south, far_north = reach(north)
    centres = np.column_stack([(west + far_east) / 2, (south + far_north) / 2])
    radii = np.hypot(far_east - west, far_north - south) / 2
    if line.seconds is None:
        return _Groups(first, count, centres, radii, None, None)
    begins, ends = reach(line.seconds)
    return _Groups(first, count, centres, radii, begins, ends)


def _take_passes(
    east_m: FloatArray,
    north_m: FloatArray,
    line: Line,
    groups: _Groups,
    fix: IntArray,
    group: IntArray,
    reach_m: float,
) -> Candidates:
    """Look at every leg of the groups and keep the nearest place of each pass."""
    counts = groups.count[group]
    fixes = np.repeat(fix, counts)
    begins = np.cumsum(counts) - counts
    legs = np.repeat(groups.first[group] - begins, counts) + np.arange(fixes.size)
    along, distance = project_on_legs(east_m[fixes], north_m[fixes], line, legs)
    inside = distance <= reach_m
    fixes, legs, along, distance = fixes[inside], legs[inside], along[inside], distance[inside]
    order = np.argsort(fixes * (line.is_gap.size + 1) + legs, kind="stable")
    found = Candidates(fixes[order], legs[order], along[order], distance[order])
    found = _keep(found, _mark_minima(found))
    for _ in range(2):
        found = _keep(found, _mark_best_of_pass(found))
    return found


def _keep(found: Candidates, kept: BoolArray) -> Candidates:
    return Candidates(found.fix[kept], found.leg[kept], found.along_m[kept], found.distance_m[kept])


def _mark_minima(found: Candidates) -> BoolArray:
    fix, leg, distance = found.fix, found.leg, found.distance_m
    follows = (fix[1:] == fix[:-1]) & (leg[1:] == leg[:-1] + 1)
    kept = np.ones(fix.size, dtype=np.bool_)
    # Of two equal neighbours (the point between two legs) the first stays.
    kept[1:] &= ~(follows & (distance[1:] >= distance[:-1]))
    kept[:-1] &= ~(follows & (distance[1:] < distance[:-1]))
    return kept


def _mark_best_of_pass(found: Candidates) -> BoolArray:
    fix, along, distance = found.fix, found.along_m, found.distance_m
    near = (fix[1:] == fix[:-1]) & (along[1:] - along[:-1] < _ONE_PASS_M)
    kept = np.ones(fix.size, dtype=np.bool_)
    kept[1:] &= ~(near & (distance[1:] >= distance[:-1]))
    kept[:-1] &= ~(near & (distance[1:] < distance[:-1]))
    return kept


def project_on_legs(
    east_m: FloatArray, north_m: FloatArray, line: Line, legs: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Return way along the line and distance of the nearest place on given legs.

    Parameters
    ----------
    east_m, north_m
        Fixes in one plane [m], any shape.
    line
        The line.
    legs
        Numbers of the legs; broadcast against the fixes.

    Returns
    -------
    tuple of two float arrays
        Way along the line and distance from it [m], of the broadcast shape.
    """
    start_east, start_north = line.east_m[legs], line.north_m[legs]
    leg_east, leg_north = line.east_m[legs + 1] - start_east, line.north_m[legs + 1] - start_north
    length = line.along_m[legs + 1] - line.along_m[legs]
    off_east, off_north = east_m - start_east, north_m - start_north
    share = (off_east * leg_east + off_north * leg_north) / (length * length)
    share = np.clip(share, 0.0, 1.0)
    distance = np.hypot(off_east - share * leg_east, off_north - share * leg_north)
    return line.along_m[legs] + share * length, distance


def take_side(
    east_m: FloatArray,
    north_m: FloatArray,
    line: Line,
    leg: IntArray,
    along_m: FloatArray,
    distance_m: FloatArray,
) -> FloatArray:
    """Return the distance with its side: right of the way positive, left negative.

    At a point between two legs the way is their mean direction.

    Parameters
    ----------
    east_m, north_m
        Fixes in one plane, shape ``(n_fixes,)`` [m].
    line
        The line.
    leg
        Leg of each fix, shape ``(n_fixes,)``.
    along_m
        Place of each fix along the line, shape ``(n_fixes,)`` [m].
    distance_m
        Distance of each fix from the line, shape ``(n_fixes,)`` [m].

    Returns
    -------
    float array ``(n_fixes,)``
        The distance, negative to the left [m].
    """
    units_east, units_north = np.diff(line.east_m), np.diff(line.north_m)
    lengths = np.diff(line.along_m)
    units_east, units_north = units_east / lengths, units_north / lengths
    place = along_m if line.cycle_m is None else np.mod(along_m, line.cycle_m)
    start = np.abs(place - line.along_m[leg]) < 1e-9  # noqa: PLR2004 - the point itself
    end = np.abs(place - line.along_m[leg + 1]) < 1e-9  # noqa: PLR2004 - the point itself
    last = line.is_gap.size - 1
    other = np.where(start, leg - 1, np.where(end, leg + 1, leg))
    other = np.mod(other, last + 1) if line.cycle_m is not None else np.clip(other, 0, last)
    way_east, way_north = (
        units_east[leg] + units_east[other],
        units_north[leg] + units_north[other],
    )
    off_east, off_north = east_m - line.east_m[leg], north_m - line.north_m[leg]
    near_end = end & ~start
    off_east = np.where(near_end, east_m - line.east_m[leg + 1], off_east)
    off_north = np.where(near_end, north_m - line.north_m[leg + 1], off_north)
    left = way_east * off_north - way_north * off_east
    sided: FloatArray = np.where(left > 0, -distance_m, distance_m)
    return sided
