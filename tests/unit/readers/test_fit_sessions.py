"""What the FIT reader makes of several sessions, chains, developer fields and empty files."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tasks.core.errors import NothingRecordedError
from tasks.core.recording import ExportFile, Recording
from tasks.core.registers import ReadOptions
from tasks.readers.fit import read_fit
from tests.simulate.fit_activity import (
    LAP,
    START,
    add_record,
    add_session,
    at,
    begin,
    describe_developer_field,
    make_run,
)

if TYPE_CHECKING:
    from pathlib import Path

    from tests.simulate.fit_bytes import FitBytes, Value


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path


def read(data: bytes, folder: Path) -> tuple[Recording, ...]:
    path = folder / "run.fit"
    path.write_bytes(data)
    return read_fit(ExportFile(path, "run.fit"), ReadOptions())


def read_one(file: FitBytes, folder: Path) -> Recording:
    (recording,) = read(file.build(), folder)
    return recording


def column(recording: Recording, name: str) -> list[Any]:
    values: list[Any] = recording.samples.column(name).to_pylist()
    return values


# --- several sessions, chains ----------------------------------------------------------------
def test_sessions_of_one_file_are_recordings_of_their_own(folder: Path) -> None:
    file = begin()
    for second in range(9):
        add_record(file, second, {3: 100 + second})
    for start, lap in ((0, 2), (3, 2), (6, 2)):
        file.add(LAP, {2: ("uint32", START + start), 7: ("uint32", lap * 1000)})
    for start, end, sport in ((0, 2, 5), (3, 5, 2), (6, 8, 1)):
        add_session(file, start, end, sport=sport)
    parts = read(file.build(), folder)
    assert [part.header.index for part in parts] == [0, 1, 2]
    assert [part.header.sport for part in parts] == ["swimming", "cycling", "running"]
    assert [column(part, "heart_rate_bpm") for part in parts] == [
        [100.0, 101.0, 102.0],
        [103.0, 104.0, 105.0],
        [106.0, 107.0, 108.0],
    ]
    assert [part.laps.num_rows for part in parts] == [1, 1, 1]


def test_the_order_of_session_messages_does_not_matter(folder: Path) -> None:
    file = begin()
    for second in range(4):
        add_record(file, second, {3: 100 + second})
    add_session(file, 2, 3, sport=1)
    add_session(file, 0, 1, sport=2)
    assert [part.header.sport for part in read(file.build(), folder)] == ["cycling", "running"]


def test_a_session_written_twice_counts_once_as_its_last_writing(folder: Path) -> None:
    file = make_run(3)
    add_session(file, 0, 2, sport=2)
    assert read_one(file, folder).header.sport == "cycling"


def test_samples_before_the_first_and_after_the_last_session_are_kept(folder: Path) -> None:
    file = begin()
    for second in range(6):
        add_record(file, second, {3: 100 + second})
    add_session(file, 2, 3)
    assert read_one(file, folder).samples.num_rows == 6


def test_a_session_without_anything_in_it_is_no_recording(folder: Path) -> None:
    file = make_run(3)
    add_session(file, 5000, 6000, sport=3)
    assert [part.header.sport for part in read(file.build(), folder)] == ["running"]


def test_the_parts_of_a_chain_are_recordings_of_their_own(folder: Path) -> None:
    settings = begin(kind=2).build()
    first, second = make_run(3).build(), make_run(5).build(header_size=12)
    parts = read(settings + first + second, folder)
    assert [part.header.index for part in parts] == [0, 1]
    assert [part.samples.num_rows for part in parts] == [3, 5]
    assert parts[0].header.status == "whole"
    assert "part 1 of the file was left out" in parts[0].remarks[0].text


# --- developer fields ------------------------------------------------------------------------
@pytest.mark.parametrize("name", ["Heart Rate", "heart_rate", "HEARTRATE", "HR"])
def test_developer_heart_rate_is_known_by_name_in_any_case(name: str, folder: Path) -> None:
    file = begin()
    describe_developer_field(file, 0, name, units="bpm")
    add_record(file, 0, {4: 80}, developer={(0, 0): ("uint8", 133)})
    run = read_one(file, folder)
    assert column(run, "heart_rate_bpm") == [133.0]
    assert run.remarks[0].text == f"values came from developer fields: {name}"


def test_the_native_field_goes_before_the_developer_field(folder: Path) -> None:
    file = begin()
    describe_developer_field(file, 0, "Heart Rate")
    for native in (120, None):
        add_record(file, native or 0, {3: native}, developer={(0, 0): ("uint8", 133)})
    assert column(read_one(file, folder), "heart_rate_bpm") == [120.0, 133.0]


def test_developer_distance_is_brought_to_metres(folder: Path) -> None:
    file = begin()
    describe_developer_field(file, 3, "Distance", base=0x88, units="km")
    add_record(file, 0, {3: 120}, developer={(0, 3): ("float32", 1.5)})
    assert column(read_one(file, folder), "distance_m") == [1500.0]


def test_a_developer_field_that_stands_for_a_native_one_is_taken_by_its_number(
    folder: Path,
) -> None:
    # field_description: native_mesg_num 20 (record), native_field_num 7 (power).
    file = begin()
    more: dict[int, tuple[str, Value]] = {14: ("uint16", 20), 15: ("uint8", 7)}
    describe_developer_field(file, 1, "Leistung", base=0x84, units="W", more=more)
    add_record(file, 0, {3: 120}, developer={(0, 1): ("uint16", 245)})
    assert column(read_one(file, folder), "power_w") == [245.0]


def test_other_developer_fields_are_left_alone(folder: Path) -> None:
    file = begin()
    describe_developer_field(file, 0, "doughnuts_earned")
    add_record(file, 0, {3: 120}, developer={(0, 0): ("uint8", 3)})
    add_session(file, 0, 1)
    run = read_one(file, folder)
    assert run.battery.num_rows == 0
    assert run.remarks == ()


# --- nothing recorded ------------------------------------------------------------------------
@pytest.mark.parametrize(("kind", "word"), [(6, "course"), (5, "planned workout"), (34, "segment")])
def test_a_plan_is_no_recording_though_it_has_points(kind: int, word: str, folder: Path) -> None:
    file = begin(kind=kind)
    add_record(file, 0, {0: 1, 1: 2})
    with pytest.raises(NothingRecordedError, match=f"it is a {word}, not a recording"):
        read_one(file, folder)


def test_a_file_without_a_sample_is_refused(folder: Path) -> None:
    file = begin()
    add_session(file, 0, 10)
    with pytest.raises(NothingRecordedError, match="a FIT activity without a single sample"):
        read_one(file, folder)


def test_the_smallest_file_is_refused(folder: Path) -> None:
    with pytest.raises(NothingRecordedError, match="a FIT file without a single sample"):
        read(bytes.fromhex("0E208B08000000002E4649548D480000"), folder)


def test_one_sample_is_a_recording(folder: Path) -> None:
    file = begin()
    add_record(file, 0, {3: 120})
    run = read_one(file, folder)
    assert run.start_utc == run.end_utc == at(0)


def test_samples_out_of_order_and_doubled_stay_as_they_are(folder: Path) -> None:
    file = begin()
    for second in (2, 0, 0, 1):
        add_record(file, second, {3: 120 + second})
    run = read_one(file, folder)
    assert column(run, "heart_rate_bpm") == [122.0, 120.0, 120.0, 121.0]
    assert (run.start_utc, run.end_utc) == (at(0), at(2))


def test_a_file_in_which_all_values_are_missing_keeps_its_times(folder: Path) -> None:
    file = begin()
    add_record(file, 0, {3: None, 0: None, 1: None})
    run = read_one(file, folder)
    assert column(run, "heart_rate_bpm") == [None]
    assert run.header.position_kind == "none"
