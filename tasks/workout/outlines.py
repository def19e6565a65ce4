"""Outlines: the tester's own lines for the background of maps, GPX or GeoJSON under `outlines/`.

Roads, a track, a coast: what helps to recognise a place. Nothing is measured against them.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.errors import DamagedError, ExportRefusedError
from tasks.workout.courses import read_gpx_lines

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from numpy.typing import NDArray

    Line = NDArray[np.float64]

SUFFIXES: Final = (".gpx", ".geojson", ".json")
#: More points than any page can show: such a file is refused.
MOST_POINTS: Final = 500_000
#: Kinds of GeoJSON: where their parts are, and how deep their lines lie.
_COLLECTIONS: Final = {"FeatureCollection": "features", "GeometryCollection": "geometries"}
_DEPTHS: Final = {"LineString": 0, "MultiLineString": 1, "Polygon": 1, "MultiPolygon": 2}
_LEAST_POINTS: Final = 2
_LATITUDE: Final = 90.0
_LONGITUDE: Final = 180.0


@dataclass(frozen=True)
class Outlines:
    """Lines, each (n_points, 2): latitude, longitude [deg]; a line of words for each bad file.

    The mark changes with the contents of the files.
    """

    lines: tuple[Line, ...] = ()
    complaints: tuple[str, ...] = ()
    mark: str = ""


def read_outline(path: Path) -> tuple[Line, ...]:
    """Read the lines of one file. Raises: DamagedError for what is neither; OSError."""
    is_gpx = path.suffix.casefold() == ".gpx"
    lines = read_gpx_lines(path) if is_gpx else list(_read_geojson(path))
    arrays = tuple(np.array(one, dtype=np.float64) for one in lines if len(one) >= _LEAST_POINTS)
    if not arrays:
        raise DamagedError(
            path.name, found="it holds no line", remedy="export lines or areas, not points"
        )
    if sum(len(one) for one in arrays) > MOST_POINTS:
        raise DamagedError(
            path.name,
            found=f"it holds more than {MOST_POINTS:,} points",
            remedy="cut it to the surroundings of the workouts",
        )
    for one in arrays:
        inside = (np.abs(one[:, 0]) <= _LATITUDE) & (np.abs(one[:, 1]) <= _LONGITUDE)
        if not inside.all():
            raise DamagedError(
                path.name,
                found="a point is no latitude and longitude in degrees",
                remedy="export it in WGS 84 (longitude before latitude in GeoJSON)",
            )
    return arrays


def load_outlines(
    folder: Path, *, read: Callable[[Path], tuple[Line, ...]] = read_outline
) -> Outlines:
    """Load all outlines of a folder; a file that cannot be used is named and skipped."""
    lines: list[Line] = []
    complaints: list[str] = []
    for path in list_outlines(folder):
        try:
            lines += read(path)
        except (ExportRefusedError, OSError) as error:
            complaints.append(f"outlines: {error}; the maps go without it")
    return Outlines(tuple(lines), tuple(complaints), mark_outlines(folder))


def list_outlines(folder: Path) -> list[Path]:
    """Return the files of outlines by name."""
    return [one for one in sorted(folder.glob("*")) if one.suffix.casefold() in SUFFIXES]


def mark_outlines(folder: Path) -> str:
    """Return a hash of the contents, so that a changed outline is drawn; empty where none is."""
    files = list_outlines(folder)
    digest = hashlib.sha256()
    for path in files:
        digest.update(path.name.encode("utf-8", "backslashreplace") + path.read_bytes())
    return digest.hexdigest()[:16] if files else ""


def _read_geojson(path: Path) -> Iterator[list[tuple[float, float]]]:
    """Return the lines and rings of a GeoJSON text (RFC 7946): longitude comes before latitude."""
    try:
        yield from _list_lines(json.loads(path.read_bytes()))
    except (ValueError, TypeError, KeyError, IndexError, AttributeError, RecursionError) as error:
        raise DamagedError(
            path.name,
            found=f"it cannot be read as GeoJSON ({type(error).__name__})",
            remedy="export it again as GeoJSON or GPX",
        ) from error


def _list_lines(part: Any) -> Iterator[list[tuple[float, float]]]:  # noqa: ANN401 - any JSON
    kind = part["type"]
    if kind == "Feature":
        geometry = part["geometry"]
        yield from () if geometry is None else _list_lines(geometry)
    elif kind in _COLLECTIONS:
        for one in part[_COLLECTIONS[kind]]:
            yield from _list_lines(one)
    elif kind in _DEPTHS:
        yield from _list_rings(part["coordinates"], _DEPTHS[kind])
    elif kind not in {"Point", "MultiPoint"}:
        raise ValueError(kind)


def _list_rings(coordinates: list[Any], depth: int) -> Iterator[list[tuple[float, float]]]:
    if depth == 0:
        yield _turn(coordinates)
        return
    for one in coordinates:
        yield from _list_rings(one, depth - 1)


def _turn(points: list[list[float]]) -> list[tuple[float, float]]:
    return [(float(one[1]), float(one[0])) for one in points]
