"""What the FIT reader makes of samples, clocks, sports, laps, lengths and events."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tasks.core.errors import NoClockError
from tasks.core.recording import ExportFile, Recording
from tasks.core.registers import READERS, ReadOptions
from tasks.readers.fit import read_fit
from tests.simulate.fit_activity import (
    ACTIVITY,
    EVENT,
    LAP,
    LENGTH,
    SPORT,
    START,
    TIMESTAMP,
    add_record,
    add_session,
    at,
    begin,
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


def with_fields(fields: dict[int, Value], folder: Path) -> dict[str, Any]:
    file = begin()
    add_record(file, 0, fields)
    row: dict[str, Any] = read_one(file, folder).samples.to_pylist()[0]
    return {name: value for name, value in row.items() if value is not None}


def test_the_reader_is_registered_for_fit() -> None:
    assert READERS["fit"].read is read_fit
    assert READERS["fit"].suffixes == (".fit",)


def test_a_run_has_its_times_values_and_reader(folder: Path) -> None:
    run = read_one(make_run(3), folder)
    assert column(run, "time_utc") == [at(0), at(1), at(2)]
    assert column(run, "heart_rate_bpm") == [100.0, 101.0, 102.0]
    assert column(run, "distance_m") == [0.0, 3.0, 6.0]
    assert (run.start_utc, run.end_utc) == (at(0), at(2))
    header = run.header
    assert (header.format, header.reader, header.status) == ("fit", "FIT columns 1", "whole")
    assert (header.sport, header.position_kind, header.time_basis) == ("running", "none", "utc")
    assert run.remarks == ()


def test_big_endian_files_read_alike(folder: Path) -> None:
    little, big = (read_one(make_run(4, big_endian=endian), folder) for endian in (False, True))
    assert big.samples.equals(little.samples)
    assert big.header == little.header


# --- units -----------------------------------------------------------------------------------
def test_positions_are_degrees(folder: Path) -> None:
    # FIT protocol: deg = raw * 180 / 2^31; 2^30 is 90 deg, -2^30 is -90 deg.
    row = with_fields({0: 2**29, 1: -(2**30)}, folder)
    assert (row["latitude_deg"], row["longitude_deg"]) == (45.0, -90.0)


def test_a_position_of_a_known_place_comes_out_to_a_centimetre(folder: Path) -> None:
    # 52.52 deg -> 626588007 (rounded) by pencil; one unit is 8.4e-8 deg, about 9 mm.
    row = with_fields({0: 626588007, 1: 0}, folder)
    assert row["latitude_deg"] == pytest.approx(52.52, abs=4.2e-8)


def test_the_invalid_position_is_missing(folder: Path) -> None:
    row = with_fields({0: None, 1: 0x7FFFFFFF, 3: 120}, folder)
    assert "latitude_deg" not in row
    assert "longitude_deg" not in row


def test_enhanced_fields_go_before_plain_ones(folder: Path) -> None:
    row = with_fields({6: 3000, 73: 3001, 2: 2500, 78: 2505}, folder)
    assert row["speed_mps"] == pytest.approx(3.001)
    assert row["altitude_m"] == pytest.approx(1.0)


def test_an_invalid_enhanced_field_gives_way_to_the_plain_one(folder: Path) -> None:
    row = with_fields({6: 3000, 73: None}, folder)
    assert row["speed_mps"] == pytest.approx(3.0)


def test_cadence_has_its_fraction(folder: Path) -> None:
    # FIT profile: fractional_cadence / 128, cadence256 / 256.
    assert with_fields({4: 84, 53: 64}, folder)["cadence_rpm"] == 84.5
    assert with_fields({52: 84 * 256 + 64}, folder)["cadence_rpm"] == 84.25


def test_the_other_channels_have_our_units(folder: Path) -> None:
    row = with_fields({7: 250, 13: -3, 31: 4, 91: 101325}, folder)
    assert row["power_w"] == 250.0
    assert row["temperature_degc"] == -3.0
    assert row["position_accuracy_m"] == 4.0
    assert row["pressure_pa"] == 101325.0


def test_compressed_speed_and_distance_are_unpacked_and_counted_on(folder: Path) -> None:
    # FIT profile, record field 8: speed 12 bits / 100 m/s, then distance 12 bits / 16 m counting
    # on. By hand: 2.50 m/s = 0x0FA; 4000 and then 100 sixteenths = 0xFA0, 0x064, so 4196 next.
    file = begin()
    for second, sixteenths in enumerate((4000, 100)):
        packed = 0x0FA | sixteenths << 12
        add_record(file, second, {8: tuple(packed.to_bytes(3, "little"))})
    run = read_one(file, folder)
    assert column(run, "speed_mps") == [2.5, 2.5]
    assert column(run, "distance_m") == [4000 / 16, 4196 / 16]


# --- clocks ----------------------------------------------------------------------------------
def test_times_since_start_up_are_refused(folder: Path) -> None:
    file = begin()
    file.add(20, {TIMESTAMP: ("uint32", 17217864), 3: ("uint8", 120)}, local=1)
    with pytest.raises(NoClockError, match=r"run\.fit: all its times count from the device's"):
        read_one(file, folder)


def test_single_times_since_start_up_are_left_out_and_counted(folder: Path) -> None:
    file = begin()
    file.add(20, {TIMESTAMP: ("uint32", 17), 3: ("uint8", 120)}, local=1)
    add_record(file, 5, {3: 121})
    add_session(file, 0, 5)
    run = read_one(file, folder)
    assert column(run, "heart_rate_bpm") == [121.0]
    assert [(remark.text, remark.count) for remark in run.remarks] == [
        ("records with times since the device's start-up were left out", 1)
    ]


def test_records_without_any_time_are_refused_with_that_reason(folder: Path) -> None:
    file = begin()
    add_record(file, None, {3: 120})
    with pytest.raises(NoClockError, match="none of its 1 records has a time"):
        read_one(file, folder)


def test_a_record_without_a_time_among_others_is_counted(folder: Path) -> None:
    file = begin()
    add_record(file, 0, {3: 120})
    file.add(20, {3: ("uint8", 99)}, local=6)
    add_session(file, 0, 5)
    run = read_one(file, folder)
    assert column(run, "heart_rate_bpm") == [120.0]
    assert [remark.count for remark in run.remarks] == [1]


@pytest.mark.parametrize(
    ("local", "expected"),
    [(7200, 7200), (-25200, -25200), (7201, 7200), (20700, 20700), (0, 0), (90000, None)],
)
def test_the_local_offset_is_taken_to_the_quarter_hour(
    local: int, expected: int | None, folder: Path
) -> None:
    file = make_run(2)
    file.add(ACTIVITY, {TIMESTAMP: ("uint32", START), 5: ("uint32", START + local)}, local=7)
    assert read_one(file, folder).header.local_offset_s == expected


# --- what was done ---------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("sport", "sub_sport", "word"),
    [
        (1, 0, "running"),
        (1, 1, "running"),
        (2, 7, "cycling"),
        (2, 8, "mountain-biking"),
        (2, 58, "cycling"),
        (5, 17, "swimming"),
        (10, 20, "strength"),
        (10, 26, "other"),
        (4, 15, "elliptical"),
        (4, 14, "rowing"),
        (4, 16, "stairs"),
        (62, 70, "intervals"),
        (11, 0, "walking"),
        (17, 0, "hiking"),
        (53, 0, "other"),
        (0, 0, None),
    ],
)
def test_sport_numbers_become_our_words(
    sport: int, sub_sport: int, word: str | None, folder: Path
) -> None:
    file = begin()
    add_record(file, 0, {3: 120})
    add_session(file, 0, 1, sport=sport, sub_sport=sub_sport)
    assert read_one(file, folder).header.sport == word


def test_the_sub_sport_stays_as_a_word(folder: Path) -> None:
    file = begin()
    add_record(file, 0, {3: 120})
    add_session(file, 0, 1, sport=1, sub_sport=1)
    assert read_one(file, folder).header.sub_sport == "treadmill"


def test_without_a_session_the_sport_message_says_what_was_done(folder: Path) -> None:
    file = begin().add(SPORT, {0: ("enum", 2), 1: ("enum", 8)}, local=6)
    add_record(file, 0, {3: 120})
    assert read_one(file, folder).header.sport == "mountain-biking"


def test_totals_are_those_of_the_session(folder: Path) -> None:
    file = make_run(2)
    more: dict[int, tuple[str, Value]] = {
        9: ("uint32", 1000012),
        22: ("uint16", 101),
        23: ("uint16", 99),
        44: ("uint16", 2286),
        46: ("enum", 1),
    }
    add_session(file, 0, 1, sport=5, more=more)
    header = read_one(file, folder).header
    assert header.device_distance_m == 10000.12
    assert (header.device_ascent_m, header.device_descent_m) == (101.0, 99.0)
    # 25 yd = 22.86 m; field 46 only says in which unit the display showed it.
    assert header.pool_length_m == 22.86


# --- positions and altitudes -----------------------------------------------------------------
@pytest.mark.parametrize(
    ("manufacturer", "sport", "sub_sport", "kind"),
    [
        (255, 1, 0, "gnss"),
        (255, 2, 7, "gnss"),
        (255, 2, 58, "virtual"),
        (255, 2, 6, "virtual"),
        (260, 2, 0, "virtual"),
    ],
)
def test_positions_of_programmes_are_virtual(
    manufacturer: int, sport: int, sub_sport: int, kind: str, folder: Path
) -> None:
    file = begin(manufacturer=manufacturer)
    add_record(file, 0, {0: 1, 1: 2})
    add_session(file, 0, 1, sport=sport, sub_sport=sub_sport)
    assert read_one(file, folder).header.position_kind == kind


def test_pressure_makes_the_altitude_barometric(folder: Path) -> None:
    file = begin()
    add_record(file, 0, {2: 2500, 91: 101325})
    assert read_one(file, folder).header.altitude_kind == "barometric"


def test_altitude_alone_says_nothing_of_its_origin(folder: Path) -> None:
    file = begin()
    add_record(file, 0, {2: 2500})
    assert read_one(file, folder).header.altitude_kind == "unknown"


# --- laps, lengths, events -------------------------------------------------------------------
def test_laps_end_after_their_elapsed_time(folder: Path) -> None:
    file = make_run(3)
    file.add(
        LAP,
        {
            TIMESTAMP: ("uint32", START + 2),
            2: ("uint32", START),
            7: ("uint32", 1500),
            8: ("uint32", 1250),
            9: ("uint32", 600),
            24: ("enum", 2),
        },
    )
    (lap,) = read_one(file, folder).laps.to_pylist()
    assert lap == {
        "lap": 0,
        "start_utc": at(0),
        "end_utc": at(1.5),
        "elapsed_s": 1.5,
        "timer_s": 1.25,
        "distance_m": 6.0,
        "trigger": "distance",
    }


def test_pool_lengths_keep_stroke_and_rest(folder: Path) -> None:
    file = begin()
    for number, (kind, stroke, strokes) in enumerate(((1, 0, 14), (1, 2, 9), (0, None, None))):
        # All lengths carry the time at which the lap was written, as some devices do.
        file.add(
            LENGTH,
            {
                TIMESTAMP: ("uint32", START + 90),
                2: ("uint32", START + 30 * number),
                3: ("uint32", 28500),
                5: ("uint16", strokes),
                7: ("enum", stroke),
                12: ("enum", kind),
            },
        )
    add_session(file, 0, 90, sport=5, sub_sport=17, more={44: ("uint16", 2500)})
    swim = read_one(file, folder)
    rows = swim.lengths.to_pylist()
    assert [row["length_kind"] for row in rows] == ["active", "active", "idle"]
    assert [row["swim_stroke"] for row in rows] == ["freestyle", "breaststroke", None]
    assert [row["strokes"] for row in rows] == [14, 9, None]
    assert [row["end_utc"] for row in rows] == [at(28.5), at(58.5), at(88.5)]
    assert (swim.start_utc, swim.end_utc) == (at(0), at(88.5))
    assert swim.samples.num_rows == 0
    assert swim.header.pool_length_m == 25.0


def test_events_are_named_and_disabling_stops_count_as_stops(folder: Path) -> None:
    file = make_run(2)
    for event, kind, data in ((0, 0, 0), (0, 8, 0), (32, 3, 7), (251, 9, None)):
        file.add(
            EVENT,
            {
                TIMESTAMP: ("uint32", START),
                0: ("enum", event),
                1: ("enum", kind),
                3: ("uint32", data),
            },
        )
    rows = read_one(file, folder).events.to_pylist()
    assert [(row["event"], row["event_kind"], row["event_data"]) for row in rows] == [
        ("timer", "start", "0"),
        ("timer", "stop", "0"),
        ("user_marker", "marker", "7"),
        ("event 251", "stop_all", None),
    ]


# --- cut, and given a right size and checksum --------------------------------------------------
def test_an_activity_without_its_closing_messages_is_perhaps_incomplete(folder: Path) -> None:
    file = begin()
    add_record(file, 0, {3: 120})
    cut = read_one(file, folder)
    assert cut.header.status == "partial"
    assert cut.header.reason is not None
    assert cut.header.reason.startswith("perhaps incomplete: it lacks the messages that close")
    assert [remark.text for remark in cut.remarks] == [cut.header.reason]
    add_session(file, 0, 1)
    closed = read_one(file, folder)
    assert (closed.header.status, closed.remarks) == ("whole", ())
