"""CSV titles: which column and unit a title means, as spreadsheets and phones write it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tasks.core.reading import read_export
from tasks.core.recording import ExportFile
from tasks.core.registers import ReadOptions
from tasks.core.units import UNITS, find_unit
from tasks.readers.csv.titles import TARGETS, read_title, suspect_title
from tasks.tables.arrow import read_floats

if TYPE_CHECKING:
    from pathlib import Path

#: Title, cell, column, and the value in the table's unit, by hand.
SAID = [
    ("hr (count/min)", "121", "heart_rate_bpm", 121.0),
    ("Heart Rate [beats/min]", "121", "heart_rate_bpm", 121.0),
    ("Heart rate, bpm", "121", "heart_rate_bpm", 121.0),
    ("Pulse in beats per minute", "121", "heart_rate_bpm", 121.0),
    ("distance (meter)", "1500", "distance_m", 1500.0),
    ("Distance (yd)", "100", "distance_m", 91.44),
    ("Distance, km", "1.5", "distance_m", 1500.0),
    ("Total distance [miles]", "1", "distance_m", 1609.344),
    ("power (watt)", "180", "power_w", 180.0),
    ("Power [Watts]", "180", "power_w", 180.0),
    ("Pace (min/mi)", "8:00", "speed_mps", 1609.344 / 480.0),
    ("Pace (min/km)", "5.5", "speed_mps", 1000.0 / 330.0),
    ("Pace (/100m)", "2:05", "speed_mps", 100.0 / 125.0),
    ("Speed kph", "36", "speed_mps", 10.0),
    ("GPS speed (km/hr)", "36", "speed_mps", 10.0),
    ("Speed (metres per second)", "3", "speed_mps", 3.0),
    ("Elevation (feet)", "100", "altitude_m", 30.48),
    ("Cadence (steps/minute)", "170", "cadence_rpm", 85.0),
    ("Temperature (° F)", "212", "temperature_degc", 100.0),
    ("Air pressure (mbar)", "1013", "pressure_pa", 101_300.0),
]


@pytest.mark.parametrize(("title", "cell", "ours", "value"), SAID, ids=[one[0] for one in SAID])
def test_a_known_word_with_a_known_unit_is_read_without_a_layout(
    title: str, cell: str, ours: str, value: float, tmp_path: Path
) -> None:
    path = tmp_path / "content"
    path.write_text(f'time;"{title}"\n2026-05-02T07:30:00Z;{cell}\n2026-05-02T07:30:01Z;{cell}\n')
    (recording,) = read_export(ExportFile(path, "a.csv"), ReadOptions())
    assert read_floats(recording.samples, ours).tolist() == pytest.approx([value, value])
    assert recording.header.status == "whole"


@pytest.mark.parametrize(
    "title",
    ["time (seconds)", "Elapsed [secs]", "elapsed time, s", "Time_Sec", "Seconds"],
)
def test_the_unit_of_a_time_may_be_spelled_out(title: str, tmp_path: Path) -> None:
    path = tmp_path / "content"
    path.write_text(f'"{title}",hr\n0,70\n2,71\n')
    name = "2026-05-02T073000Z.csv"
    (recording,) = read_export(ExportFile(path, name), ReadOptions())
    times = recording.samples.column("time_utc").to_pylist()
    assert [time.isoformat() for time in times] == [
        "2026-05-02T07:30:00+00:00",
        "2026-05-02T07:30:02+00:00",
    ]


def test_of_two_columns_of_one_quantity_the_one_that_names_its_unit_is_read(
    tmp_path: Path,
) -> None:
    path = tmp_path / "content"
    path.write_text("time,distance,distance (km)\n2026-05-02T07:30:00Z,7,1.5\n")
    (recording,) = read_export(ExportFile(path, "a.csv"), ReadOptions())
    assert read_floats(recording.samples, "distance_m").tolist() == [1500.0]


@pytest.mark.parametrize(
    "title",
    [
        "hr (furlong)",
        "max heart rate",
        "hr zone",
        "distance (V)",
        "pace",
        "rr",
        "speed (km)",
        "mood",
    ],
)
def test_other_words_and_units_of_other_quantities_are_not_read(title: str) -> None:
    assert read_title(title) is None


def test_every_known_spelling_is_of_one_unit_of_its_quantity() -> None:
    for unit in UNITS.values():
        assert find_unit(unit.name, target=unit.to_table) == unit.name
    assert find_unit("ms", target="m/s") == "m/s"
    assert find_unit("ms", target="s") == "ms"
    assert find_unit("parsec") is None


def test_a_suspected_column_is_one_that_a_table_has() -> None:
    meaning = suspect_title("HR of my belt")
    assert meaning is not None
    assert meaning.ours in TARGETS
    assert suspect_title("mood") is None
