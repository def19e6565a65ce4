"""Tracks and courses of the package."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.provenance import find_version
from tasks.package.descriptor import MadeLine, seal_file
from tasks.package.gpx import Line, write_gpx
from tasks.package.hiding import split_line
from tasks.package.place import MAKER
from tasks.tables.arrow import read_floats, read_micros

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    import pyarrow as pa
    from numpy.typing import NDArray

    from tasks.package.rows import RecordingFacts, Source

    #: Returns the line `(n, 2)` of a course by its name, latitude and longitude [deg], if any.
    LineReader = Callable[[str], NDArray[np.float64] | None]

#: What stands before the name of a course in the column `reference`.
_COURSE: Final = "course:"
_GNSS: Final = "gnss"


def write_tracks(source: Source, folder: Path) -> Iterator[MadeLine]:
    """Write the track of each recording with satellite positions, where any of them shows."""
    for recording in source.recordings:
        rows = source.read_shown(recording)
        if recording.position_kind != _GNSS:
            continue
        line = _make_track(source, recording, rows)
        if line.stretches:
            public = source.ids.rewrite(recording.recording_id)
            yield _write(line, folder, name=f"track-{public}", path=f"tracks/{public}.gpx")


def _make_track(source: Source, recording: RecordingFacts, rows: pa.Table) -> Line:
    latitude_deg, longitude_deg = (
        read_floats(rows, f"{axis}_deg") for axis in ("latitude", "longitude")
    )
    device = source.ids.find_device(recording.device_id)
    clock = source.find_clock(recording.track)
    pieces = read_floats(rows, "piece")
    if clock.is_moved:
        # Nothing is hidden any more, and no line may lead across what was left out.
        parts = clock.number_published(read_micros(rows) / 1e6 + recording.added_s)
        pieces = np.nan_to_num(pieces, nan=-1.0) + 1e6 * parts
    return Line(
        name=(
            device
            if recording.device_id in source.ids.automatic
            else recording.device_name or device
        ),
        description=source.ids.rewrite(
            f"device {device}, workout {recording.workout_id}, recording "
            f"{recording.recording_id}; times of the device's own clock"
        ),
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        stretches=split_line(
            latitude_deg,
            longitude_deg,
            hiding=source.hiding,
            hidden=np.zeros(latitude_deg.shape, dtype=np.bool_),
            pieces=pieces,
        ),
        kind=recording.sport,
        time_us=read_micros(rows).astype(np.int64),
        altitude_m=read_floats(rows, "altitude_m"),
    )


def write_courses(source: Source, folder: Path, *, load_line: LineReader) -> Iterator[MadeLine]:
    """Write each course that a newest result was compared with, if it is still there."""
    rows = source.connection.execute(
        "SELECT DISTINCT reference FROM latest_results WHERE starts_with(reference, ?) ORDER BY 1",
        [_COURSE],
    ).fetchall()
    taken: set[str] = set()
    for (reference,) in rows:
        name = str(reference).removeprefix(_COURSE)
        points = load_line(name)
        if points is None:
            continue
        line = Line(
            name=name,
            description="reference line that tracks were compared with",
            latitude_deg=points[:, 0],
            longitude_deg=points[:, 1],
            stretches=split_line(points[:, 0], points[:, 1], hiding=source.hiding, track=reference),
        )
        slug = _make_slug(name, taken)
        if line.stretches:
            yield _write(line, folder, name=f"course-{slug}", path=f"courses/{slug}.gpx")


def _make_slug(name: str, taken: set[str]) -> str:
    """Return a name that a file and a resource may have, and that no other course has."""
    plain = re.sub(r"[^a-z0-9_-]+", "-", name.lower()).strip("-") or "course"
    number, slug = 1, plain
    while slug in taken:
        number += 1
        slug = f"{plain}-{number}"
    taken.add(slug)
    return slug


def _write(line: Line, folder: Path, *, name: str, path: str) -> MadeLine:
    (folder / path).parent.mkdir(exist_ok=True)
    write_gpx(folder / path, line, creator=f"{MAKER} {find_version()}")
    return MadeLine(name, line.name, seal_file(folder, path))
