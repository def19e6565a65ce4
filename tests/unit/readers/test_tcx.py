"""TCX: odd and broken documents. Everything is invented; expected values are typed in the text."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from tasks.core.errors import CowornError, DamagedError, NoClockError, NothingRecordedError
from tasks.core.reading import is_complete, read_export
from tasks.core.recording import ExportFile, Recording
from tasks.core.registers import ReadOptions

if TYPE_CHECKING:
    from pathlib import Path

NAMESPACE = 'xmlns="http://www.garmin.com/xmlschemas/TrainingCenterDatabase/v2"'
POINT = (
    "<Trackpoint><Time>2025-06-15T08:00:{:02d}Z</Time><DistanceMeters>3</DistanceMeters>"
    "<HeartRateBpm><Value>101</Value></HeartRateBpm></Trackpoint>"
)


def wrap_lap(points: str, *, start: str = "2025-06-15T08:00:00Z", facts: str = "") -> str:
    return f'<Lap StartTime="{start}">{facts}<Track>{points}</Track></Lap>'


def wrap_activity(laps: str, *, sport: str = "Running", creator: str = "") -> str:
    return f'<Activity Sport="{sport}"><Id>1</Id>{laps}{creator}</Activity>'


def wrap(activities: str) -> str:
    return (
        f'<?xml version="1.0"?>\n<TrainingCenterDatabase {NAMESPACE}>\n'
        f"<Activities>{activities}</Activities>\n</TrainingCenterDatabase>\n"
    )


def wrap_points(points: str) -> str:
    return wrap(wrap_activity(wrap_lap(points)))


def read(
    folder: Path, content: str | bytes, options: ReadOptions | None = None
) -> tuple[Recording, ...]:
    path = folder / "run.tcx"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return read_export(ExportFile(path, path.name), options or ReadOptions())


def read_one(folder: Path, content: str | bytes, options: ReadOptions | None = None) -> Recording:
    (recording,) = read(folder, content, options)
    return recording


def list_rows(recording: Recording, *names: str) -> list[tuple[Any, ...]]:
    return [tuple(row[name] for name in names) for row in recording.samples.to_pylist()]


def list_remarks(recording: Recording) -> dict[str, int]:
    return {remark.text: remark.count for remark in recording.remarks}


# --- dialects ---------------------------------------------------------------------------------
@pytest.mark.parametrize(
    "extension",
    [
        (
            '<x:TPX xmlns:x="http://www.garmin.com/xmlschemas/ActivityExtension/v2">'
            "<x:Speed>3.5</x:Speed><x:RunCadence>84</x:RunCadence><x:Watts>250</x:Watts></x:TPX>"
        ),
        (
            '<TPX xmlns="http://www.garmin.com/xmlschemas/ActivityExtension/v2">'
            "<Speed>3.5</Speed><RunCadence>84</RunCadence><Watts>250</Watts></TPX>"
        ),
        (
            "<unbound:TPX><unbound:Speed>3.5</unbound:Speed><unbound:RunCadence>84"
            "</unbound:RunCadence><unbound:Watts>250</unbound:Watts></unbound:TPX>"
        ),
    ],
)
def test_activity_extensions_are_known_in_any_namespace(tmp_path: Path, extension: str) -> None:
    point = POINT.format(0).replace(
        "</Trackpoint>", f"<Extensions>{extension}</Extensions></Trackpoint>"
    )
    recording = read_one(tmp_path, wrap_points(point))
    assert list_rows(recording, "speed_mps", "cadence_rpm", "power_w") == [(3.5, 84.0, 250.0)]


def test_a_pool_swim_keeps_its_points_without_position(tmp_path: Path) -> None:
    recording = read_one(tmp_path, wrap_points(POINT.format(0) + POINT.format(1)))
    assert list_rows(recording, "latitude_deg", "heart_rate_bpm") == [(None, 101.0)] * 2
    assert recording.header.position_kind == "none"


def test_points_doubled_at_the_border_of_laps_are_both_kept(tmp_path: Path) -> None:
    laps = wrap_lap(POINT.format(0) + POINT.format(5)) + wrap_lap(
        POINT.format(5) + POINT.format(9), start="2025-06-15T08:00:05Z"
    )
    recording = read_one(tmp_path, wrap(wrap_activity(laps)))
    assert [time.second for (time,) in list_rows(recording, "time_utc")] == [0, 5, 5, 9]
    assert {piece for (piece,) in list_rows(recording, "piece")} == {0}
    assert recording.laps.column("elapsed_s").to_pylist() == [5.0, 4.0]


def test_the_total_is_the_sum_of_the_laps_and_zero_is_unknown(tmp_path: Path) -> None:
    def read_total(*distances_m: str) -> float | None:
        laps = "".join(
            wrap_lap(POINT.format(n), facts=f"<DistanceMeters>{distance}</DistanceMeters>")
            for n, distance in enumerate(distances_m)
        )
        return read_one(tmp_path, wrap(wrap_activity(laps))).header.device_distance_m

    assert read_total("400.5", "200") == 600.5
    assert read_total("0", "0.0") is None
    assert read_total("400", "many") is None


def test_the_device_is_named_and_an_empty_unit_number_is_none(tmp_path: Path) -> None:
    creator = (
        '<Creator xsi:type="Device_t" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance">'
        "<Name>Birch Band</Name><UnitId>0</UnitId><ProductID>0</ProductID><Version>"
        "<VersionMajor>0</VersionMajor><VersionMinor>0</VersionMinor></Version></Creator>"
    )
    content = wrap(wrap_activity(wrap_lap(POINT.format(0)), sport="Other", creator=creator))
    header = read_one(tmp_path, content).header
    assert (header.creator, header.product) == ("Birch Band", "Birch Band")
    assert (header.serial, header.firmware) == (None, None)
    assert header.sport == "other"


def test_several_activities_are_several_recordings(tmp_path: Path) -> None:
    second = POINT.format(0).replace("06-15", "06-16")
    content = wrap(
        wrap_activity(wrap_lap(POINT.format(0)))
        + wrap_activity("<Lap/>")
        + wrap_activity(wrap_lap(second, start="2025-06-16T08:00:00Z"), sport="Biking")
    )
    recordings = read(tmp_path, content)
    assert [(r.header.index, r.header.sport) for r in recordings] == [
        (0, "running"),
        (1, "cycling"),
    ]
    assert list_remarks(recordings[0]) == {"empty activities were left out": 1}


def test_a_multisport_session_gives_each_of_its_activities(tmp_path: Path) -> None:
    second = wrap_activity(wrap_lap(POINT.format(9)), sport="Biking")
    content = wrap(
        "<MultiSportSession><Id>1</Id><FirstSport>"
        + wrap_activity(wrap_lap(POINT.format(0)))
        + f"</FirstSport><NextSport>{second}</NextSport></MultiSportSession>"
    )
    assert [r.header.sport for r in read(tmp_path, content)] == ["running", "cycling"]


def test_an_activity_of_laps_alone_is_a_recording(tmp_path: Path) -> None:
    facts = "<TotalTimeSeconds>60</TotalTimeSeconds><DistanceMeters>50</DistanceMeters>"
    recording = read_one(tmp_path, wrap(wrap_activity(wrap_lap("", facts=facts))))
    assert (recording.samples.num_rows, recording.laps.num_rows) == (0, 1)
    assert recording.end_utc == datetime(2025, 6, 15, 8, 1, tzinfo=UTC)
    assert recording.header.device_distance_m == 50.0


def test_a_lap_without_a_start_begins_with_its_first_point(tmp_path: Path) -> None:
    content = wrap_points(POINT.format(7)).replace(' StartTime="2025-06-15T08:00:00Z"', "")
    recording = read_one(tmp_path, content)
    assert recording.laps.column("start_utc").to_pylist() == [recording.start_utc]
    assert recording.start_utc.second == 7


# --- times ------------------------------------------------------------------------------------
def test_a_time_without_a_zone_needs_a_stated_one(tmp_path: Path) -> None:
    content = wrap_points(POINT.format(0)).replace("Z<", "<").replace('Z">', '">')
    with pytest.raises(NoClockError, match="zone under") as caught:
        read(tmp_path, content)
    eight = datetime(2025, 6, 15, 8)  # noqa: DTZ001 - as it stands there
    assert caught.value.local_span == (eight, eight)
    # Lisbon is one hour ahead of UTC in June. Source: IANA time zone database.
    recording = read_one(tmp_path, content, ReadOptions(zone="Europe/Lisbon"))
    assert recording.start_utc == datetime(2025, 6, 15, 7, tzinfo=UTC)
    assert recording.header.time_basis == "zone"
    # The offset of Nepal, as notes would give it: 08:00 there is 02:15 in UTC.
    noted = read_one(tmp_path, content, ReadOptions(zone=timezone(timedelta(minutes=345))))
    assert noted.start_utc == datetime(2025, 6, 15, 2, 15, tzinfo=UTC)
    assert noted.header.time_basis == "notes"


def test_a_clock_that_was_not_set_is_refused(tmp_path: Path) -> None:
    with pytest.raises(NoClockError, match="begin in 1989"):
        read(tmp_path, wrap_points(POINT.format(0)).replace("2025", "1989"))


def test_a_single_impossible_time_is_left_out_and_counted(tmp_path: Path) -> None:
    wild = POINT.format(3).replace("2025", "2205")
    recording = read_one(tmp_path, wrap_points(POINT.format(0) + POINT.format(1) + wild))
    assert recording.samples.num_rows == 2
    assert recording.end_utc.second == 1
    assert list_remarks(recording) == {"samples with impossible times were left out": 1}


def test_points_without_a_time_are_left_out_and_counted(tmp_path: Path) -> None:
    bare = POINT.format(0).replace("2025-06-15T08:00:00Z", "this morning")
    recording = read_one(tmp_path, wrap_points(bare + POINT.format(1)))
    assert recording.samples.num_rows == 1
    assert list_remarks(recording) == {"points without a readable time were left out": 1}


# --- refusals and damage ----------------------------------------------------------------------
@pytest.mark.parametrize(
    ("content", "says"),
    [
        (wrap(""), "only a frame"),
        (wrap(wrap_activity("")), "no activity in it has a trackpoint"),
        (wrap(wrap_activity("<Lap/>")), "no activity in it has a trackpoint"),
        (f"<TrainingCenterDatabase {NAMESPACE}><Workouts/></TrainingCenterDatabase>", "Workouts"),
    ],
)
def test_a_file_without_an_activity_is_refused(tmp_path: Path, content: str, says: str) -> None:
    with pytest.raises(NothingRecordedError, match=says):
        read(tmp_path, content)


def test_a_number_that_cannot_be_read_is_missing_and_counted(tmp_path: Path) -> None:
    recording = read_one(tmp_path, wrap_points(POINT.format(0).replace("101", "1O1")))
    assert list_rows(recording, "heart_rate_bpm", "distance_m") == [(None, 3.0)]
    assert list_remarks(recording) == {"numbers that cannot be read were taken as missing": 1}


def test_a_cut_file_gives_every_whole_point_before_the_cut(tmp_path: Path) -> None:
    facts = "<DistanceMeters>500</DistanceMeters>"
    points = "".join(map(POINT.format, range(10)))
    content = wrap(wrap_activity(wrap_lap(points, facts=facts))).encode()
    first = content.index(b"</Trackpoint>") + len("</Trackpoint>")
    for length in range(first, len(content) - 2, 11):
        cut = content[:length]
        recording = read_one(tmp_path, cut)
        assert recording.samples.num_rows == cut.count(b"</Trackpoint>")
        assert recording.header.status == "partial"
        assert recording.header.device_distance_m is None
        assert not is_complete(tmp_path / "run.tcx", "run.tcx")


def test_damage_in_the_middle_is_no_cut(tmp_path: Path) -> None:
    content = wrap_points(POINT.format(0) + POINT.format(1)).replace("</Value>", "</Valve>", 1)
    with pytest.raises(DamagedError, match="line 3"):
        read(tmp_path, content)


def test_document_types_are_refused(tmp_path: Path) -> None:
    entity = '<!DOCTYPE TrainingCenterDatabase [<!ENTITY hr SYSTEM "file:///etc/hostname">]>'
    content = wrap_points(POINT.format(0).replace("101", "&hr;"))
    content = content.replace("<TrainingCenter", f"{entity}<TrainingCenter", 1)
    with pytest.raises(DamagedError, match="document type"):
        read(tmp_path, content)


def test_any_damage_gives_recordings_or_a_reason(tmp_path: Path) -> None:
    facts = "<TotalTimeSeconds>5</TotalTimeSeconds><DistanceMeters>500</DistanceMeters>"
    points = "".join(map(POINT.format, range(6)))
    whole = wrap(wrap_activity(wrap_lap(points, facts=facts))).encode()
    chance = np.random.default_rng(20250615)
    outcomes = {"read": 0, "refused": 0}
    for _ in range(600):
        data = bytearray(whole)
        if chance.random() < 0.3:
            data = data[: int(chance.integers(1, len(data)))]
        for _ in range(int(chance.integers(0, 4))):
            data[int(chance.integers(len(data)))] ^= 1 << int(chance.integers(8))
        try:
            recordings = read(tmp_path, bytes(data))
        except CowornError:
            outcomes["refused"] += 1
        else:
            assert all(recording.samples.num_rows <= 6 for recording in recordings)
            outcomes["read"] += 1
    assert min(outcomes.values()) > 100
