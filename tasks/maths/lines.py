"""Lines in a local metric plane: a course or a track, cut into short legs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.maths.arrays import require_same_shape

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray, FloatArray, IntArray

#: Longer legs are cut, so that a search by leg finds what is near [m].
LONGEST_LEG_M: Final = 25.0
_FEWEST_POINTS: Final = 2


@dataclass(frozen=True, slots=True)
class Line:
    """Points ``(n_points,)`` joined by legs ``(n_points - 1,)``, none of them of no length.

    ``along_m`` is the way from the first point. ``seconds`` is when the points were passed, None
    for a line without times. ``is_gap`` marks legs that only bridge what was not recorded.
    ``cycle_m`` is the length of one round where the line closes, else None.
    """

    east_m: FloatArray
    north_m: FloatArray
    along_m: FloatArray
    seconds: FloatArray | None
    is_gap: BoolArray
    cycle_m: float | None

    @property
    def length_m(self) -> float:
        """Length of all legs."""
        return float(self.along_m[-1])

    def locate(self, along_m: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return east and north ``(n,)`` at distances along the line; a closed line repeats."""
        at = along_m if self.cycle_m is None else np.mod(along_m, self.cycle_m)
        return (
            np.interp(at, self.along_m, self.east_m).astype(np.float64),
            np.interp(at, self.along_m, self.north_m).astype(np.float64),
        )

    def reverse(self) -> Line:
        """Return the line without times, run from its end to its start."""
        return Line(
            self.east_m[::-1],
            self.north_m[::-1],
            self.length_m - self.along_m[::-1],
            None,
            self.is_gap[::-1],
            self.cycle_m,
        )


def build_line(
    east_m: FloatArray,
    north_m: FloatArray,
    *,
    seconds: FloatArray | None = None,
    is_gap: BoolArray | None = None,
    spacing_m: float = 0.0,
    closes_within_m: float = 0.0,
) -> Line | None:
    """Join points ``(n_points,)``, without gaps in them, to a line; None where they are one place.

    Legs over 25 m are cut.

    Parameters
    ----------
    east_m, north_m
        Points in one plane, shape ``(n_points,)``, without missing ones [m].
    seconds
        Times, shape ``(n_points,)`` [s]; None for a line without times.
    is_gap
        Legs that bridge what was not recorded, shape ``(n_points - 1,)``.
    spacing_m
        Points nearer than this to the one before are left out (a device that stands still scatters
        points) [m]; the last one stays.
    closes_within_m
        A line without times whose ends are at most this far apart is closed by a last leg [m]; 0:
        none.

    Returns
    -------
    Line or None
        None where all points are one place.

    Raises
    ------
    ValueError
        If the shapes differ.
    """
    require_same_shape(east_m, north_m)
    kept = _thin(east_m, north_m, spacing_m=spacing_m)
    if kept.size < _FEWEST_POINTS:
        return None
    gaps = np.zeros(kept.size - 1, dtype=np.bool_)
    if is_gap is not None:
        before = np.concatenate([[0], np.cumsum(is_gap)])
        gaps = np.diff(before[kept]) > 0
    east, north = east_m[kept], north_m[kept]
    times = None if seconds is None else seconds[kept]
    opening = float(np.hypot(east[-1] - east[0], north[-1] - north[0]))
    length = float(np.hypot(np.diff(east), np.diff(north)).sum())
    closes = 0 < closes_within_m < length / 2 and opening <= closes_within_m and times is None
    if closes and opening > 0:
        east, north = np.append(east, east[0]), np.append(north, north[0])
        gaps = np.append(gaps, np.False_)
    return _cut_legs(east, north, times, gaps, closes=closes)


def _thin(east_m: FloatArray, north_m: FloatArray, *, spacing_m: float) -> IntArray:
    """Return the indices of points at least ``spacing_m`` apart, and never twice the same place."""
    least = max(spacing_m, 1e-6)
    steps = np.hypot(np.diff(east_m), np.diff(north_m))
    if steps.size and bool((steps >= least).all()):
        return np.arange(east_m.size)
    kept: list[int] = []
    x, y = float("inf"), float("inf")
    square = least * least
    for index, (east, north) in enumerate(zip(east_m.tolist(), north_m.tolist(), strict=True)):
        if not (east - x) ** 2 + (north - y) ** 2 < square:
            kept.append(index)
            x, y = east, north
    last = east_m.size - 1
    if kept and kept[-1] != last and (east_m[last], north_m[last]) != (x, y):
        kept.append(last)
    return np.array(kept, dtype=np.int64)


def _cut_legs(
    east: FloatArray,
    north: FloatArray,
    seconds: FloatArray | None,
    gaps: BoolArray,
    *,
    closes: bool,
) -> Line:
    legs = np.hypot(np.diff(east), np.diff(north))
    parts = np.maximum(1, np.ceil(legs / LONGEST_LEG_M)).astype(np.int64)
    place = np.repeat(np.arange(legs.size, dtype=np.float64), parts)
    first = np.repeat(np.cumsum(parts) - parts, parts)
    place += (np.arange(place.size) - first) / np.repeat(parts, parts)
    place = np.append(place, float(legs.size))
    whole = np.arange(east.size, dtype=np.float64)
    along = np.interp(place, whole, np.concatenate([[0.0], np.cumsum(legs)]))
    return Line(
        np.interp(place, whole, east),
        np.interp(place, whole, north),
        along,
        None if seconds is None else np.interp(place, whole, seconds),
        np.repeat(gaps, parts),
        float(along[-1]) if closes else None,
    )


def resample_evenly(
    east_m: FloatArray, north_m: FloatArray, *, spacing_m: float
) -> tuple[FloatArray, FloatArray]:
    """Return points every ``spacing_m`` along a track ``(n_points,)``, its last point included.

    Parameters
    ----------
    east_m, north_m
        Track, shape ``(n_points,)`` [m].
    spacing_m
        Distance between points along it [m].

    Returns
    -------
    tuple of two float arrays
        East and north of the points [m].
    """
    steps = np.hypot(np.diff(east_m), np.diff(north_m))
    moved = np.concatenate([[True], steps > 0])[: east_m.size]
    east, north = east_m[moved], north_m[moved]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(east), np.diff(north)))])
    if along.size < _FEWEST_POINTS:
        return east, north
    n_parts = max(1, int(np.ceil(along[-1] / spacing_m - 1e-9)))
    at = np.linspace(0.0, along[-1], n_parts + 1)
    return (
        np.interp(at, along, east).astype(np.float64),
        np.interp(at, along, north).astype(np.float64),
    )
