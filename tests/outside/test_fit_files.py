"""FIT files of real devices, compared with two decoders in their own form and published numbers.

Sources of the files: the source archives of pyfitness 0.2.1 and activity_parser 0.12.1, the wheel
of sweat 0.25.0.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import fitdecode
import fitparse
import numpy as np
import pytest
from fitparse.processors import FitFileDataProcessor

from tasks.core.errors import DamagedError, ExportRefusedError, NoClockError
from tasks.core.reading import is_complete, read_export
from tasks.core.recording import ExportFile, Recording
from tasks.core.registers import ReadOptions
from tasks.tables.arrow import read_floats, read_seconds

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray

FIT_EPOCH = datetime(1989, 12, 31, tzinfo=UTC)
#: Column of ours, names of theirs (first known value), their unit times this is ours.
COLUMNS = {
    "latitude_deg": (("position_lat",), 180.0 / 2**31),
    "longitude_deg": (("position_long",), 180.0 / 2**31),
    "altitude_m": (("enhanced_altitude", "altitude"), 1.0),
    "distance_m": (("distance",), 1.0),
    "speed_mps": (("enhanced_speed", "speed"), 1.0),
    "heart_rate_bpm": (("heart_rate",), 1.0),
    "power_w": (("power",), 1.0),
    "temperature_degc": (("temperature",), 1.0),
}
FILES = {
    "activity_parser": (
        "garmin-edge-820-bike.fit",
        "garmin-fenix-5-bike.fit",
        "garmin-fenix-5-run.fit",
    ),
    "sweat": (
        "2020-06-01-16-52-40.fit",
        "4801048867.fit",
        "6449921903_ACTIVITY.fit",
        "6471559601_ACTIVITY.fit",
    ),
    "pyfitness": (
        "Garmin_Assioma_200mm_test_Dec_20_2022.fit",
        "Zwift_KickrBikeV1_TruePower_Dec_20_2022.fit",
    ),
}
CASES = [(archive, name) for archive, names in FILES.items() for name in names]


class Plain(FitFileDataProcessor):  # type: ignore[misc] # fitparse ships no types
    """Leaves values as they are: fitparse's way to make dates warns on Python 3.12."""

    def run_type_processor(self, field_data: object) -> None:
        """Do nothing."""

    run_field_processor = run_unit_processor = run_message_processor = run_type_processor


@pytest.fixture(scope="module")
def find(registry_archive: Callable[..., Path]) -> Callable[[str, str], Path]:
    def find_one(archive: str, name: str) -> Path:
        folder = {
            "activity_parser": ("activity_parser==0.12.1", "sdist"),
            "sweat": ("sweat==0.25.0", "wheel"),
            "pyfitness": ("pyfitness==0.2.1", "sdist"),
        }[archive]
        (path,) = registry_archive(folder[0], kind=folder[1]).rglob(name)
        return path

    return find_one


def read(path: Path) -> tuple[Recording, ...]:
    return read_export(ExportFile(path, path.name), ReadOptions())


def read_with_fitparse(path: Path, kind: str) -> list[dict[str, Any]]:
    """Return the messages of `kind` as fitparse does, first known value per name."""
    messages = fitparse.FitFile(str(path), data_processor=Plain()).get_messages(kind)
    return [_merge((field.name, field.value) for field in message.fields) for message in messages]


def read_with_fitdecode(path: Path, kind: str) -> list[dict[str, Any]]:
    with fitdecode.FitReader(path, processor=None, check_crc=fitdecode.CrcCheck.RAISE) as reader:
        return [
            _merge((field.name, field.value) for field in frame.fields)
            for frame in reader
            if frame.frame_type == fitdecode.FIT_FRAME_DATA and frame.name == kind
        ]


def _merge(fields: Any) -> dict[str, Any]:  # noqa: ANN401 - a generator of pairs
    row: dict[str, Any] = {}
    for name, value in fields:
        if row.get(name) is None:
            row[name] = value
    return row


def take(rows: list[dict[str, Any]], names: tuple[str, ...]) -> NDArray[np.float64]:
    return np.array(
        [next((float(row[n]) for n in names if row.get(n) is not None), np.nan) for row in rows]
    )


@pytest.mark.parametrize(("archive", "name"), CASES)
@pytest.mark.parametrize("read_rows", [read_with_fitparse, read_with_fitdecode])
def test_every_value_of_every_record_is_that_of_the_decoder(
    archive: str,
    name: str,
    read_rows: Callable[[Path, str], list[dict[str, Any]]],
    find: Callable[[str, str], Path],
) -> None:
    path = find(archive, name)
    rows = read_rows(path, "record")
    recordings = read(path)
    assert sum(recording.samples.num_rows for recording in recordings) == len(rows)
    seconds = np.concatenate([read_seconds(each.samples) for each in recordings])
    assert np.array_equal(seconds, take(rows, ("timestamp",)) + FIT_EPOCH.timestamp())
    for column, (names, factor) in COLUMNS.items():
        ours = np.concatenate([read_floats(each.samples, column) for each in recordings])
        assert np.array_equal(ours, take(rows, names) * factor, equal_nan=True), column


@pytest.mark.parametrize(("archive", "name"), CASES)
def test_totals_laps_and_beats_are_those_of_fitparse(
    archive: str, name: str, find: Callable[[str, str], Path]
) -> None:
    path = find(archive, name)
    recordings = read(path)
    sessions = read_with_fitparse(path, "session")
    assert [each.header.device_distance_m for each in recordings] == [
        session.get("total_distance") for session in sessions
    ]
    laps = read_with_fitparse(path, "lap")
    assert sum(each.laps.num_rows for each in recordings) == len(laps)
    starts = [row["start_utc"] for each in recordings for row in each.laps.to_pylist()]
    assert starts == [FIT_EPOCH + timedelta(seconds=lap["start_time"]) for lap in laps]
    intervals = [
        value
        for message in read_with_fitparse(path, "hrv")
        for value in message["time"]
        if value is not None and value < 65
    ]
    beats = [value for each in recordings for value in each.beats.column("rr_s").to_pylist()]
    assert beats == pytest.approx(intervals, abs=1e-9)
    assert all(each.header.status == "whole" for each in recordings)
    assert is_complete(path, path.name)


def test_a_short_run_has_its_published_numbers(find: Callable[[str, str], Path]) -> None:
    # Counted from the table of this file that fitparse ships with its tests: 21 records in 57 s,
    # unweighted mean heart rate 84.95, held to the next record and weighted by time 89.11 bpm;
    # the session says 157.56 m.
    (run,) = read(find("activity_parser", "garmin-fenix-5-run.fit"))
    seconds = read_seconds(run.samples)
    rate = read_floats(run.samples, "heart_rate_bpm")
    assert (len(seconds), seconds[-1] - seconds[0]) == (21, 57.0)
    assert round(float(rate.mean()), 2) == 84.95
    assert round(float((rate[:-1] * np.diff(seconds)).sum() / 57.0), 2) == 89.11
    assert run.header.device_distance_m == 157.56
    assert run.header.sport == "running"
    # The table writes Pacific daylight time.
    assert run.header.local_offset_s == -7 * 3600


def test_three_sports_in_one_file_are_three_recordings(find: Callable[[str, str], Path]) -> None:
    path = find("sweat", "6471559601_ACTIVITY.fit")
    recordings = read(path)
    sessions = read_with_fitdecode(path, "session")
    assert [session["sport"] for session in sessions] == ["running", "transition", "rowing"]
    assert [each.header.sport for each in recordings] == ["running", "other", "rowing"]
    assert [each.samples.column("time_utc")[0].as_py() for each in recordings] == [
        FIT_EPOCH + timedelta(seconds=session["start_time"]) for session in sessions
    ]


def test_the_battery_of_a_watch_falls_as_its_messages_say(
    find: Callable[[str, str], Path],
) -> None:
    path = find("sweat", "4801048867.fit")
    (ride,) = read(path)
    rows = ride.battery.to_pylist()
    own = [row for row in rows if row["battery_of"] == "recorder"]
    messages = read_with_fitparse(path, "unknown_104")
    assert [row["battery_pct"] for row in own] == [message["unknown_2"] for message in messages]
    assert [row["battery_v"] for row in own] == [
        message["unknown_0"] / 1000 for message in messages
    ]


def test_a_trainer_and_its_programme_are_told_apart(find: Callable[[str, str], Path]) -> None:
    (watch,) = read(find("pyfitness", "Garmin_Assioma_200mm_test_Dec_20_2022.fit"))
    (programme,) = read(find("pyfitness", "Zwift_KickrBikeV1_TruePower_Dec_20_2022.fit"))
    assert (watch.header.position_kind, watch.header.sub_sport) == ("none", "indoor_cycling")
    assert programme.header.position_kind == "virtual"


def test_distance_of_a_programme_is_not_lost(find: Callable[[str, str], Path]) -> None:
    # Building a dictionary of all fields loses it: an empty expanded field comes last.
    (ride,) = read(find("pyfitness", "Zwift_KickrBikeV1_TruePower_Dec_20_2022.fit"))
    distance = read_floats(ride.samples, "distance_m")
    assert np.isfinite(distance).all()
    assert distance[-1] == pytest.approx(ride.header.device_distance_m, abs=20.0)


def test_records_without_times_are_refused(find: Callable[[str, str], Path]) -> None:
    with pytest.raises(NoClockError, match="none of its 3 records has a time"):
        read(find("activity_parser", "DeveloperData.fit"))


def test_a_real_file_cut_anywhere_gives_what_came_before(
    find: Callable[[str, str], Path], tmp_path: Path
) -> None:
    data = find("activity_parser", "garmin-fenix-5-run.fit").read_bytes()
    path = tmp_path / "cut.fit"
    path.write_bytes(data)
    (whole,) = read(path)
    n_partial = 0
    for n_bytes in range(1, len(data), 37):
        path.write_bytes(data[:n_bytes])
        assert not is_complete(path, path.name)
        try:
            (part,) = read(path)
        except ExportRefusedError:
            continue
        n_partial += 1
        assert part.header.status == "partial"
        assert part.samples.equals(whole.samples.slice(0, part.samples.num_rows))
    assert n_partial > 50


def test_a_real_file_with_flipped_bits_is_refused(
    find: Callable[[str, str], Path], tmp_path: Path
) -> None:
    data = find("activity_parser", "garmin-fenix-5-run.fit").read_bytes()
    path = tmp_path / "flipped.fit"
    rng = np.random.default_rng(104)
    for _ in range(60):
        damaged = bytearray(data)
        for place in rng.integers(14, len(data), size=rng.integers(1, 9)):
            damaged[place] ^= 1 << int(rng.integers(8))
        path.write_bytes(damaged)
        with pytest.raises(DamagedError, match="checksum is wrong"):
            read(path)
