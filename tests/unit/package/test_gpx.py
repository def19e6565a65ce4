"""GPX as another library reads it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import gpxpy
import numpy as np
import pytest

from tasks.package.gpx import Line, spell_degrees, write_gpx

if TYPE_CHECKING:
    from pathlib import Path


def make_line(**changes: object) -> Line:
    facts: dict[str, object] = {
        "name": "Alder 2",
        "description": "a track",
        "latitude_deg": np.array([63.4, 63.40001, 63.40002]),
        "longitude_deg": np.array([15.8, 15.80001, 15.80002]),
        "stretches": [np.array([0]), np.array([1, 2])],
        "kind": "running",
        "time_us": np.array([0, 1_250_000, 2_000_000]),
        "altitude_m": np.array([336.8, np.nan, 0.0]),
    }
    return Line(**{**facts, **changes})  # type: ignore[arg-type]


def test_each_stretch_is_a_segment_with_times_and_heights(tmp_path: Path) -> None:
    write_gpx(tmp_path / "track.gpx", make_line(), creator="coworn")
    (track,) = gpxpy.parse((tmp_path / "track.gpx").read_text(encoding="utf-8")).tracks
    assert [track.name, track.type] == ["Alder 2", "running"]
    assert [len(segment.points) for segment in track.segments] == [1, 2]
    points = [point for segment in track.segments for point in segment.points]
    assert [point.elevation for point in points] == [336.8, None, 0.0]
    assert [point.time.isoformat() for point in points if point.time is not None] == [
        "1970-01-01T00:00:00+00:00",
        "1970-01-01T00:00:01.250000+00:00",
        "1970-01-01T00:00:02+00:00",
    ]
    assert points[1].longitude == pytest.approx(15.80001, abs=1e-9)


def test_a_name_that_is_markup_or_no_character_stays_text(tmp_path: Path) -> None:
    name = "<b>Alder</b> & \x01\ufffe]]>"
    write_gpx(tmp_path / "track.gpx", make_line(name=name), creator="coworn")
    (track,) = gpxpy.parse((tmp_path / "track.gpx").read_text(encoding="utf-8")).tracks
    assert track.name == "<b>Alder</b> & \ufffd\ufffd]]>"


@pytest.mark.parametrize(
    ("value", "turning", "expected"),
    [
        (1e-7, False, "0.0000001"),  # xsd:decimal has no exponent
        (-1e-12, False, "0"),
        (100.0, True, "100"),
        (179.9999999999, True, "-180"),  # longitudeType: below 180
        (-180.0, True, "-180"),
        (90.0, False, "90"),
    ],
)
def test_angles_are_plain_decimals(value: float, turning: bool, expected: str) -> None:  # noqa: FBT001 - a table of cases
    assert spell_degrees(value, turning=turning) == expected
