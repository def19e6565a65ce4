"""JSON of times and values becomes rows, or is refused in one line."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest

from tasks.core.errors import DamagedError, NothingRecordedError, UnknownLayoutError
from tasks.core.reading import read_export
from tasks.core.recording import ExportFile, Recording
from tasks.core.registers import ReadOptions

if TYPE_CHECKING:
    from pathlib import Path

STAMPS = [f"2026-05-02T06:00:{second:02d}Z" for second in range(10)]


def read(folder: Path, document: Any, *, name: str = "log.json") -> Recording:  # noqa: ANN401
    path = folder / name
    text = document if isinstance(document, str) else json.dumps(document)
    path.write_text(text)
    (recording,) = read_export(ExportFile(path, name), ReadOptions())
    return recording


def rates(recording: Recording) -> list[Any]:
    return list(recording.samples.column("heart_rate_bpm").to_pylist())


def test_a_value_without_a_name_has_that_of_its_list(tmp_path: Path) -> None:
    pairs = [{"time": stamp, "value": 100 + n} for n, stamp in enumerate(STAMPS)]
    recording = read(tmp_path, {"user": "nobody", "data": {"heart_rate": pairs}})
    assert rates(recording) == list(range(100, 110))


def test_a_value_inside_an_object_has_its_name_not_that_of_the_list(tmp_path: Path) -> None:
    rows = [
        {"time": stamp, "heartRate": {"value": 100 + n}, "temperature": {"value": 21}}
        for n, stamp in enumerate(STAMPS)
    ]
    recording = read(tmp_path, {"speed": rows})
    assert rates(recording) == list(range(100, 110))
    assert recording.samples.column("speed_mps").null_count == 10


def test_lists_side_by_side_are_columns(tmp_path: Path) -> None:
    document = {"timestamp": STAMPS, "heartRate": list(range(100, 110)), "name": "run"}
    assert rates(read(tmp_path, document)) == list(range(100, 110))


def test_each_line_may_be_a_document(tmp_path: Path) -> None:
    lines = [json.dumps({"ts": 1777701600 + n, "hr": 100 + n}) for n in range(10)]
    recording = read(tmp_path, "\n".join(lines) + "\n", name="log.jsonl")
    assert rates(recording) == list(range(100, 110))
    assert recording.start_utc.isoformat() == "2026-05-02T06:00:00+00:00"


def test_sensors_with_quantities_of_their_own_are_one_device(tmp_path: Path) -> None:
    rows: list[dict[str, object]] = [
        {"sensor": "heart", "time": stamp, "bpm": 100} for stamp in STAMPS
    ]
    rows += [
        {"sensor": "place", "time": stamp, "latitude": 63.41, "longitude": 15.8} for stamp in STAMPS
    ]
    recording = read(tmp_path, rows)
    assert recording.samples.num_rows == 20
    assert recording.header.position_kind == "gnss"


def test_two_sensors_of_one_quantity_are_not_joined(tmp_path: Path) -> None:
    rows = [
        {"sensor": sensor, "time": stamp, "bpm": bpm}
        for sensor, bpm in (("wrist", 120), ("chest", 100))
        for stamp in STAMPS
    ]
    with pytest.raises(DamagedError, match="names 2 devices"):
        read(tmp_path, rows)


def test_degrees_as_whole_numbers_are_scaled(tmp_path: Path) -> None:
    rows = [
        {"timestamp": stamp, "latitudeE7": 634100000, "longitudeE7": -158000000} for stamp in STAMPS
    ]
    samples = read(tmp_path, {"locations": rows}).samples
    assert samples.column("latitude_deg").to_pylist()[0] == pytest.approx(63.41)
    assert samples.column("longitude_deg").to_pylist()[0] == pytest.approx(-15.8)


def test_dates_that_can_be_read_in_two_ways_are_refused(tmp_path: Path) -> None:
    rows = [{"dateTime": f"05/02/2026 06:00:{n:02d}", "value": {"bpm": 100}} for n in range(10)]
    path = tmp_path / "log.json"
    path.write_text(json.dumps(rows))
    with pytest.raises(UnknownLayoutError, match="day-first and month-first"):
        read_export(ExportFile(path, "log.json"), ReadOptions(zone="UTC"))


@pytest.mark.parametrize(
    "document",
    [{"distance": 8000}, [], {}, [[1, 2], [3, 4]], {"time": [1], "hr": [2]}, "[" * 100_000],
)
def test_what_holds_no_times_and_values_is_refused(tmp_path: Path, document: object) -> None:
    with pytest.raises((NothingRecordedError, DamagedError), match=r"^log\.json: "):
        read(tmp_path, document)
