"""TCX files of real rides and runs, compared with other parsers and other exports of the same ride.

Source of the files: the wheel of sweat 0.25.0, folder sweat/examples/data.
"""

from __future__ import annotations

from math import fsum
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from tasks.core.reading import is_complete, read_export
from tasks.core.recording import ExportFile, Recording
from tasks.core.registers import ReadOptions

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

ARCHIVE = "sweat==0.25.0"
NAMES = (
    "3173437224.tcx",
    "activity_4078723797.tcx",
    "activity_4801048867.tcx",
    "activity_5039744860.tcx",
)


@pytest.fixture(scope="module")
def folder(registry_archive: Callable[..., Path]) -> Path:
    return registry_archive(ARCHIVE, kind="wheel") / "sweat" / "examples" / "data"


def read_one(path: Path) -> Recording:
    (recording,) = read_export(ExportFile(path, path.name), ReadOptions())
    return recording


def find_all(path: Path, *ancestry: str) -> list[Any]:
    """Find elements along `ancestry` with the standard library's parser."""
    root = ET.parse(path).getroot()  # noqa: S314 - files of a pinned archive
    return root.findall("/".join([".", "{*}Activities", *(f"{{*}}{name}" for name in ancestry)]))


@pytest.mark.parametrize("name", NAMES)
def test_every_trackpoint_and_lap_is_there(folder: Path, name: str) -> None:
    path = folder / name
    recording = read_one(path)
    times = find_all(path, "Activity", "Lap", "Track", "Trackpoint", "Time")
    rates = find_all(path, "Activity", "Lap", "Track", "Trackpoint", "HeartRateBpm", "Value")
    distances = find_all(path, "Activity", "Lap", "DistanceMeters")
    assert is_complete(path, name)
    assert recording.header.status == "whole"
    assert recording.samples.num_rows == len(times) > 90
    assert recording.laps.num_rows == len(distances)
    read_bpm = recording.samples.column("heart_rate_bpm").drop_null().to_pylist()
    assert read_bpm == [float(rate.text) for rate in rates]
    assert recording.header.device_distance_m == fsum(float(one.text) for one in distances)


@pytest.mark.parametrize("ride", ["activity_4078723797", "activity_4801048867"])
def test_the_gpx_of_the_same_ride_says_the_same(folder: Path, ride: str) -> None:
    # Two formats, two parsers (gpxpy there, lxml here), one recording: their samples must agree.
    tcx = index_rows(read_one(folder / f"{ride}.tcx"))
    gpx = index_rows(read_one(folder / f"{ride}.gpx"))
    common = sorted(tcx.keys() & gpx.keys())
    assert len(common) > 5000
    for name, tolerance in (
        ("latitude_deg", 1e-9),
        ("longitude_deg", 1e-9),
        ("altitude_m", 1e-4),
        ("heart_rate_bpm", 0.0),
    ):
        there = np.array([gpx[time][name] for time in common], dtype=np.float64)
        here = np.array([tcx[time][name] for time in common], dtype=np.float64)
        np.testing.assert_allclose(here, there, rtol=0.0, atol=tolerance, err_msg=name)


def index_rows(recording: Recording) -> dict[Any, dict[str, Any]]:
    return {row["time_utc"]: row for row in recording.samples.to_pylist()}
