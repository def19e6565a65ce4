"""GPX files that others wrote for their own tests.

Source of the files: source archive of gpxpy 1.6.2, folder test_files.
"""

from __future__ import annotations

from datetime import UTC
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import gpxpy
import numpy as np
import pytest

from tasks.core.errors import ExportRefusedError, NoClockError, NothingRecordedError
from tasks.core.reading import read_export
from tasks.core.recording import ExportFile, Recording
from tasks.core.registers import ReadOptions
from tasks.tables.arrow import read_floats

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

ARCHIVE = "gpxpy==1.6.2"
N_FILES = 30
#: Its 184 points bear the time 1901-12-13T20:45:52Z, the earliest of 32-bit clocks.
UNSET_CLOCK = "Mojstrovka.gpx"
#: Counted with the standard library's XML parser: `time` in `trkpt`, without the file above.
N_TIMED_POINTS = 1834


@pytest.fixture(scope="module")
def files(registry_archive: Callable[..., Path]) -> list[Path]:
    folder = registry_archive(ARCHIVE, kind="sdist")
    return sorted(folder.rglob("test_files/*.gpx"))


def read_or_refuse(path: Path) -> tuple[Recording, ...] | ExportRefusedError:
    try:
        return read_export(ExportFile(path, path.name), ReadOptions())
    except ExportRefusedError as refusal:
        return refusal


def list_timed_points(path: Path) -> list[list[Any]]:
    """List the timed points of each track that has some, as gpxpy itself gives them."""
    gpx = gpxpy.parse(path.read_bytes())
    tracks = [
        [point for part in track.segments for point in part.points if point.time is not None]
        for track in gpx.tracks
    ]
    return [points for points in tracks if points]


def count_elements(path: Path, *ancestry: str) -> int:
    """Count elements along `ancestry` with the standard library's parser."""
    root = ET.parse(path).getroot()  # noqa: S314 - files of a pinned archive
    return len(root.findall("/".join(["."] + [f"{{*}}{name}" for name in ancestry])))


def test_every_file_is_read_or_refused_with_a_reason(files: list[Path]) -> None:
    assert len(files) == N_FILES
    for path in files:
        outcome = read_or_refuse(path)
        n_points = count_elements(path, "trk", "trkseg", "trkpt")
        n_times = count_elements(path, "trk", "trkseg", "trkpt", "time")
        if path.name == UNSET_CLOCK:
            assert type(outcome) is NoClockError
            assert "1901" in outcome.found
        elif n_times == 0:
            assert type(outcome) is NothingRecordedError, path.name
            assert str(outcome).startswith(f"{path.name}: ")
            if n_points:
                assert f"none of its {n_points} track points has a time" in outcome.found
        else:
            assert not isinstance(outcome, ExportRefusedError), path.name
            assert sum(recording.samples.num_rows for recording in outcome) == n_times, path.name


def test_timed_points_are_those_that_gpxpy_gives(files: list[Path]) -> None:
    n_compared = 0
    for path in files:
        outcome = read_or_refuse(path)
        if isinstance(outcome, ExportRefusedError):
            continue
        tracks = list_timed_points(path)
        assert len(outcome) == len(tracks), path.name
        for recording, points in zip(outcome, tracks, strict=True):
            assert_same_points(recording, points)
            n_compared += len(points)
    assert n_compared == N_TIMED_POINTS


def assert_same_points(recording: Recording, points: list[Any]) -> None:
    times = recording.samples.column("time_utc").to_pylist()
    assert times == [
        point.time.astimezone(UTC) if point.time.tzinfo else point.time.replace(tzinfo=UTC)
        for point in points
    ]
    for column, attribute in (
        ("latitude_deg", "latitude"),
        ("longitude_deg", "longitude"),
        ("altitude_m", "elevation"),
    ):
        wanted = [getattr(point, attribute) for point in points]
        np.testing.assert_array_equal(
            read_floats(recording.samples, column), np.array(wanted, dtype=np.float64)
        )
