"""Courses: reference lines that the tester surveyed or traced, as GPX under `courses/`."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from tasks.core.errors import DamagedError, ExportRefusedError
from tasks.core.markup import load_markup, raise_if_out_of_memory

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray

    from tasks.core.notes import Notes

    Line = NDArray[np.float64]


@dataclass(frozen=True)
class Course:
    """A reference line, shape (n_points, 2): latitude, longitude [deg]; None where there is none.

    `complaint` says in one line why a named course is not used.
    """

    line: Line | None = None
    name: str | None = None
    complaint: str | None = None


def read_line(path: Path) -> Line | None:
    """Read the line of the course at `path`, its tracks before its routes; None without two points.

    Raises: DamagedError for what is no GPX; OSError; MemoryError.
    """
    points = _read_points(path)
    return np.array(points, dtype=np.float64) if len(points) > 1 else None


def load_course(
    notes: Notes | None, *, courses: Path, read: Callable[[Path], Line | None] = read_line
) -> Course:
    """Load the course that the notes name; `read` gives the line in a file."""
    if notes is None or notes.course is None:
        return Course()
    path = find_course(notes.course, courses=courses)
    if path is None:
        return Course(
            complaint=f"{notes.name}: course {notes.course!r} is not in {courses.name}/; put "
            f"{notes.course}.gpx there",
        )
    try:
        line = read(path)
    except ExportRefusedError as error:
        return Course(complaint=str(error))
    if line is None:
        return Course(complaint=f"{path.name}: a course needs at least two points")
    return Course(line, notes.course)


def load_line(
    name: str, *, courses: Path, read: Callable[[Path], Line | None] = read_line
) -> Line | None:
    """Return the line of the course called `name` as `Course` does.

    None where there is none, or none that can be read: settling complains about it.
    """
    path = find_course(name, courses=courses)
    try:
        return None if path is None else read(path)
    except ExportRefusedError:
        return None


def find_course(name: str, *, courses: Path) -> Path | None:
    """Return the file of the course called `name`; a name is no path."""
    wanted = f"{name}.gpx".casefold()
    return next(
        (path for path in sorted(courses.glob("*.gpx")) if path.name.casefold() == wanted), None
    )


def mark_courses(courses: Path) -> dict[str, str]:
    """Return a content hash per course name, so that a changed course makes results outdated."""
    return {
        path.stem: hashlib.sha256(path.read_bytes()).hexdigest()[:16]
        for path in sorted(courses.glob("*.gpx"))
    }


def _read_points(path: Path) -> list[tuple[float, float]]:
    gpx = _parse_gpx(path)
    tracks = [
        point for track in gpx.tracks for segment in track.segments for point in segment.points
    ]
    routes = [point for route in gpx.routes for point in route.points]
    return [(point.latitude, point.longitude) for point in tracks or routes]


def read_gpx_lines(path: Path) -> list[list[tuple[float, float]]]:
    """Read every segment and route of a GPX file on its own: latitude, longitude [deg].

    Raises: DamagedError for what is no GPX; OSError; MemoryError.
    """
    gpx = _parse_gpx(path)
    lines = [segment.points for track in gpx.tracks for segment in track.segments]
    lines += [route.points for route in gpx.routes]
    return [[(point.latitude, point.longitude) for point in line] for line in lines]


def _parse_gpx(path: Path) -> Any:  # noqa: ANN401 - the library is imported late
    import gpxpy  # noqa: PLC0415 - only workouts on a course need it
    from gpxpy.gpx import GPXException  # noqa: PLC0415 - as above

    markup = load_markup(path.read_bytes(), name=path.name)
    try:
        return gpxpy.parse(markup.text)
    except (GPXException, ValueError) as error:
        raise_if_out_of_memory(error.__cause__)
        raise DamagedError(
            path.name,
            found=f"it cannot be read as GPX ({error})",
            remedy="export it again",
        ) from error
