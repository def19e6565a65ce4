"""Laps found from the geometry of a track alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.maths.lines import resample_evenly

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray, IntArray

#: Shortest lap [m]; nearer returns are scatter of one pass.
SHORTEST_LAP_M: Final = 150.0
#: How far from a gate a track may pass it, and how much its direction may differ.
_GATE_REACH_M: Final = 25.0
_LEAST_COSINE: Final = 0.5
_SPACING_M: Final = 5.0
_MOST_GATES: Final = 200
_FEWEST_PASSES: Final = 3
#: A lap differs from the median lap by less than this share.
_ALIKE: Final = 0.1
_PROFILE_POINTS: Final = 200

#: Place and direction: east, north, and the unit vector of the way through it.
Gate = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Laps:
    """Laps of one track: ways between crossings of one gate, and where they begin and end.

    ``lengths_m`` ``(n_laps,)`` along the fixes; ``begins`` and ``ends`` are places between fixes
    (fix number with its fraction). ``lateral_sd_m`` is the spread of the laps across their mean.
    """

    lengths_m: FloatArray
    begins: FloatArray
    ends: FloatArray
    lateral_sd_m: float


def find_laps(east_m: FloatArray, north_m: FloatArray) -> Laps | None:
    """Find laps of fixes ``(n_fixes,)``; None where no place was passed three times alike.

    A gate is set across the track where it was passed most often in one direction; a lap is the way
    from one passage to the next, if it is within 10 % of the median lap and at least 150 m.

    Parameters
    ----------
    east_m, north_m
        Fixes in one plane, shape ``(n_fixes,)`` [m].

    Returns
    -------
    Laps or None
        None where no place was passed three times alike.
    """
    gate = _choose_gate(east_m, north_m)
    if gate is None:
        return None
    crossings, along = _cross_gate(east_m, north_m, gate)
    if crossings.size < _FEWEST_PASSES:
        return None
    lengths = np.diff(along)
    alike = np.abs(lengths - np.median(lengths)) <= _ALIKE * np.median(lengths)
    if alike.sum() < _FEWEST_PASSES - 1:
        return None
    begins, ends = crossings[:-1][alike], crossings[1:][alike]
    return Laps(lengths[alike], begins, ends, _measure_lateral(east_m, north_m, begins, ends))


def _choose_gate(east_m: FloatArray, north_m: FloatArray) -> Gate | None:
    """Return the gate that was passed most often; the start goes through a gate of its own."""
    from scipy.spatial import cKDTree  # noqa: PLC0415 - scipy is slow to import

    east, north = resample_evenly(east_m, north_m, spacing_m=_SPACING_M)
    if (east.size - 1) * _SPACING_M < 2 * SHORTEST_LAP_M:
        return None
    unit_east, unit_north = np.gradient(east), np.gradient(north)
    size = np.maximum(np.hypot(unit_east, unit_north), 1e-9)
    unit_east, unit_north = unit_east / size, unit_north / size
    points = np.column_stack([east, north])
    tree = cKDTree(points)
    # A lap is run again at least twice: its gate is met in the first half.
    asked = np.unique(np.linspace(0, east.size // 2, _MOST_GATES).astype(np.int64))
    found: list[tuple[int, float, int]] = []
    for index, near in zip(
        asked.tolist(), tree.query_ball_point(points[asked], _GATE_REACH_M), strict=True
    ):
        around = np.sort(np.array(near, dtype=np.int64))
        same = unit_east[around] * unit_east[index] + unit_north[around] * unit_north[index]
        around = around[same > _LEAST_COSINE]
        starts = around[np.concatenate([[True], np.diff(around) * _SPACING_M > SHORTEST_LAP_M])]
        gaps = np.diff(starts)
        if gaps.size < _FEWEST_PASSES - 1:
            continue
        uneven = float(np.median(np.abs(gaps - np.median(gaps))) / np.median(gaps))
        found.append((starts.size, -uneven, index))
    best: tuple[int, float] = (0, 0.0)
    chosen: Gate | None = None
    for nearby, evenness, index in sorted(found, reverse=True):
        if nearby < best[0]:
            break
        gate = (
            float(east[index]), float(north[index]),
            float(unit_east[index]), float(unit_north[index]),
        )  # fmt: skip
        # A track that begins or ends near a gate has come near it, but not through it.
        passed = _cross_gate(east_m, north_m, gate)[0].size
        if (passed, evenness) > best:
            best, chosen = (passed, evenness), gate
    return chosen


def _cross_gate(
    east_m: FloatArray, north_m: FloatArray, gate: Gate
) -> tuple[FloatArray, FloatArray]:
    """Return the places (fix number with fraction) and ways of the passages through a gate."""
    gate_east, gate_north, unit_east, unit_north = gate
    ahead = (east_m - gate_east) * unit_east + (north_m - gate_north) * unit_north
    aside = (north_m - gate_north) * unit_east - (east_m - gate_east) * unit_north
    goes_through = (ahead[:-1] < 0) & (ahead[1:] >= 0)
    goes_through[0] |= bool(ahead[0] == 0.0 < ahead[1] and aside[0] == 0.0)
    before = np.flatnonzero(goes_through)
    share = -ahead[before] / (ahead[before + 1] - ahead[before])
    side = aside[before] + share * (aside[before + 1] - aside[before])
    kept = np.abs(side) <= _GATE_REACH_M
    places = before[kept] + share[kept]
    steps = np.hypot(np.diff(east_m), np.diff(north_m))
    way = np.concatenate([[0.0], np.cumsum(steps)])
    along = np.interp(places, np.arange(way.size), way)
    first: list[int] = []
    for index, at in enumerate(along.tolist()):
        if not first or at - along[first[-1]] >= SHORTEST_LAP_M:
            first.append(index)
    chosen: IntArray = np.array(first, dtype=np.int64)
    return places[chosen], along[chosen]


def _measure_lateral(
    east_m: FloatArray, north_m: FloatArray, begins: FloatArray, ends: FloatArray
) -> float:
    """Return the spread of laps across their mean line, both cut into equal shares of the lap."""
    fixes = np.arange(east_m.size, dtype=np.float64)
    way = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(east_m), np.diff(north_m)))])
    first, last = np.interp(begins, fixes, way), np.interp(ends, fixes, way)
    share = np.arange(_PROFILE_POINTS) / _PROFILE_POINTS
    at = first[:, None] + share[None, :] * (last - first)[:, None]
    moved = np.concatenate([[True], np.diff(way) > 0])
    east = np.interp(at, way[moved], east_m[moved])
    north = np.interp(at, way[moved], north_m[moved])
    mean_east, mean_north = east.mean(axis=0), north.mean(axis=0)
    unit_east = np.roll(mean_east, -1) - np.roll(mean_east, 1)
    unit_north = np.roll(mean_north, -1) - np.roll(mean_north, 1)
    size = np.maximum(np.hypot(unit_east, unit_north), 1e-9)
    across = ((north - mean_north) * unit_east - (east - mean_east) * unit_north) / size
    return float(np.sqrt(np.mean(np.var(across, axis=0, ddof=1))))
