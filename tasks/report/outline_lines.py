"""Lines for the background of a map: filled with points, and of outlines only what is near."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.maths.geodesy import find_plane_origin, project_to_plane
from tasks.maths.runs import find_run_edges
from tasks.report.facts import CourseLine

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from numpy.typing import NDArray

    from tasks.report.facts import Series

    Floats = NDArray[np.float64]

#: Points of a line are at most so far apart [m].
STEP_M: Final = 5.0
#: How far beyond the tracks outlines are kept, in their height and width, and at least [deg].
_BEYOND: Final = 0.7
_LEAST_DEG: Final = 0.002


def find_near(outlines: Sequence[Floats], series: Iterable[Series]) -> tuple[CourseLine, ...]:
    """Return the pieces of outlines near the tracks of a workout, filled with points."""
    if not outlines:
        return ()
    box = _find_box(series)
    if box is None:
        return ()
    return tuple(piece for line in outlines for piece in _cut(line, box))


def _find_box(series: Iterable[Series]) -> tuple[Floats, Floats] | None:
    """Return the least and the greatest latitude and longitude of what is shown."""
    fixes = np.concatenate(
        [
            np.empty((0, 2)),
            *(
                np.column_stack([one.values("latitude_deg"), one.values("longitude_deg")])
                for one in series
            ),
        ]
    )
    fixes = fixes[np.isfinite(fixes).all(axis=1)]
    if not len(fixes):
        return None
    low, high = fixes.min(axis=0), fixes.max(axis=0)
    # A map is as wide as it is high, or wider: beyond is measured by the longer side.
    beyond = np.full(2, max(_BEYOND * float((high - low).max()), _LEAST_DEG))
    beyond[1] /= max(float(np.cos(np.radians(low[0]))), 0.05)
    return low - beyond, high + beyond


def _cut(line: Floats, box: tuple[Floats, Floats]) -> Iterator[CourseLine]:
    low, high = box
    inside = np.asarray(((line >= low) & (line <= high)).all(axis=1))
    # A leg also shows where only its box touches the map.
    first, second = line[:-1], line[1:]
    touching = (np.minimum(first, second) <= high) & (np.maximum(first, second) >= low)
    legs = touching.all(axis=1)
    inside[:-1] |= legs
    inside[1:] |= legs
    for start, end in zip(*find_run_edges(inside), strict=True):
        if end - start > 1:
            latitude, longitude = fill_line(line[start:end, 0], line[start:end, 1], step_m=STEP_M)
            filled = np.column_stack([latitude, longitude])
            near = ((filled >= low) & (filled <= high)).all(axis=1)
            if near.any():
                # The name draws how far a hidden end is moved: the same in every workout.
                name = f"outline {line[0, 0]:.5f} {line[0, 1]:.5f}"
                yield CourseLine(
                    name,
                    np.where(near, latitude, np.nan),
                    np.where(near, longitude, np.nan),
                )


def fill_line(
    latitude_deg: Floats, longitude_deg: Floats, *, step_m: float
) -> tuple[Floats, Floats]:
    """Return a line `(n,)` with points put in, so that no two neighbours are farther apart.

    A line of few points would otherwise cross a private place between two of them.
    """
    origin = find_plane_origin(latitude_deg, longitude_deg)
    plane = project_to_plane(latitude_deg, longitude_deg, origin=origin)
    lengths = np.hypot(np.diff(plane.east_m), np.diff(plane.north_m))
    pieces = np.maximum(1, np.ceil(lengths / step_m)).astype(np.int64)
    at = np.concatenate([[0], np.cumsum(pieces)])
    every = np.arange(at[-1] + 1)
    return np.interp(every, at, latitude_deg), np.interp(every, at, longitude_deg)
