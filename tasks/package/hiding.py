"""Hides private places in the rows and lines of the package."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pyarrow as pa

from tasks.tables.arrow import read_floats
from tasks.workout.private_places import find_crossings, find_inside

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from config.report import PrivatePlace

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]
    Indices = NDArray[np.intp]

_POSITION: Final = ("latitude_deg", "longitude_deg")
#: With speed it would lead on from the last position that shows.
_DIRECTION: Final = "course_deg"


def hide_positions(rows: pa.Table, places: Sequence[PrivatePlace]) -> pa.Table:
    """Return `rows` without positions inside `places`, other rows and columns untouched.

    The direction of travel goes wherever no position shows: a row without one may lie inside.
    """
    if not places:
        return rows
    latitude, longitude = (read_floats(rows, name) for name in _POSITION)
    shows = (
        np.isfinite(latitude) & np.isfinite(longitude) & ~find_inside(latitude, longitude, places)
    )
    return _keep_where(rows, shows, (*_POSITION, _DIRECTION))


def split_line(
    latitude_deg: Floats,
    longitude_deg: Floats,
    *,
    places: Sequence[PrivatePlace] = (),
    pieces: Floats | None = None,
) -> list[Indices]:
    """Return the stretches of a line `(n,)` that may be drawn, each as the indices of its points.

    Points without a position are skipped. A stretch ends where a private place begins, where the
    straight line to the next point leads across one, and where `pieces` changes.
    """
    inside = find_inside(latitude_deg, longitude_deg, places)
    shown = np.flatnonzero(np.isfinite(latitude_deg) & np.isfinite(longitude_deg) & ~inside)
    if not shown.size:
        return []
    breaks = find_crossings(latitude_deg[shown], longitude_deg[shown], places)
    breaks[1:] |= np.diff(np.cumsum(inside)[shown]) > 0
    if pieces is not None:
        numbers = np.nan_to_num(pieces[shown], nan=-1.0)
        breaks[1:] |= np.diff(numbers) != 0
    return np.split(shown, np.flatnonzero(breaks))


def _keep_where(rows: pa.Table, keep: Booleans, names: Sequence[str]) -> pa.Table:
    hidden = rows
    for name in names:
        if name in rows.column_names:
            at = rows.schema.get_field_index(name)
            values = np.where(keep, read_floats(rows, name), np.nan)
            hidden = hidden.set_column(at, rows.field(at), pa.array(values, from_pandas=True))
    return hidden
