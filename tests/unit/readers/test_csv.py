"""CSV: which layout reads a file, what it gives, and how everything else is refused."""

from __future__ import annotations

import pickle
from datetime import UTC, datetime, timedelta, timezone
from importlib import resources
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.layouts import load_layouts, parse_layout
from tasks.core.errors import (
    CowornError,
    DamagedError,
    ExportRefusedError,
    NoClockError,
    NothingRecordedError,
    UnknownLayoutError,
)
from tasks.core.reading import is_complete, read_export
from tasks.core.recording import ExportFile, Recording
from tasks.core.registers import ReadOptions
from tasks.readers.csv.fitting import VOCABULARY
from tasks.tables.arrow import read_floats

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    Read = Callable[..., Recording]

HEADER = "time,heart_rate\n"
#: Four seconds from 2026-05-02T07:30:00Z, 70 to 73 bpm.
ROWS = "".join(f"2026-05-02T07:30:0{second}Z,{70 + second}\n" for second in range(4))
FIRST_UTC = datetime(2026, 5, 2, 7, 30, tzinfo=UTC)


@pytest.fixture
def read(tmp_path: Path) -> Read:
    def read_text(
        content: str | bytes,
        name: str = "export.csv",
        zone: str | timezone | None = None,
        folders: tuple[Path, ...] = (),
    ) -> Recording:
        path = tmp_path / "content"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        options = ReadOptions(zone=zone, layout_folders=folders)
        (recording,) = read_export(ExportFile(path, name), options)
        return recording

    return read_text


def list_heart_rates(recording: Recording) -> list[float]:
    return [float(rate) for rate in read_floats(recording.samples, "heart_rate_bpm")]


def list_times(recording: Recording, table: str = "samples") -> list[str]:
    times = getattr(recording, table).column("time_utc").to_pylist()
    return [time.isoformat().removesuffix("+00:00") for time in times]


def list_remarks(recording: Recording) -> dict[str, int]:
    return {remark.text: remark.count for remark in recording.remarks}


# --- every spelling of one table ---------------------------------------------------------------
SPELLINGS = {
    "plain": (HEADER + ROWS).encode(),
    "trailing commas": (HEADER + ROWS.replace("\n", ",\n")).encode(),
    "trailing comma in the header too": (HEADER + ROWS).replace("\n", ",\n").encode(),
    "byte-order mark": (HEADER + ROWS).encode("utf-8-sig"),
    "UTF-16": (HEADER + ROWS).encode("utf-16"),
    "UTF-16 without a mark": (HEADER + ROWS).encode("utf-16-le"),
    "UTF-16, big end first": (HEADER + ROWS).encode("utf-16-be"),
    "Windows line ends": (HEADER + ROWS).replace("\n", "\r\n").encode(),
    "old line ends": (HEADER + ROWS).replace("\n", "\r").encode(),
    "blank lines": ("\n\n" + HEADER + "\n" + ROWS.replace("\n", "\n\n  \n")).encode(),
    "empty rows": (HEADER + ROWS.replace("\n", "\n,\n")).encode(),
    "no last line end": (HEADER + ROWS).rstrip().encode(),
    "quotes": ('"Time","Heart_Rate"\n' + ROWS.replace(",", '","').replace("2026", '"2026')
               .replace("\n", '"\n')).encode(),
    "blanks around": (" TIME , Heart  rate \n" + ROWS.replace(",", " , ")).encode(),
    "semicolons": (HEADER + ROWS).replace(",", ";").encode(),
    "tabs": (HEADER + ROWS).replace(",", "\t").encode(),
    "lines before": ("Device: Rowan\nOwner;nobody\n\n" + HEADER + ROWS).encode(),
    "remarks": ("# from, a device\n" + HEADER + ROWS.replace("\n", "\n# pause\n")).encode(),
    "repeated header": (HEADER + ROWS[:24] + HEADER + ROWS[24:]).encode(),
    "Latin letters of Windows": ("größe\n" + HEADER + ROWS).encode("cp1252"),
}  # fmt: skip


@pytest.mark.parametrize("content", SPELLINGS.values(), ids=SPELLINGS)
def test_one_table_in_any_spelling_gives_one_recording(content: bytes, read: Read) -> None:
    recording = read(content)
    assert list_heart_rates(recording) == [70.0, 71.0, 72.0, 73.0]
    assert list_times(recording) == [f"2026-05-02T07:30:0{second}" for second in range(4)]
    assert recording.start_utc == FIRST_UTC
    assert (recording.header.status, recording.header.time_basis) == ("whole", "utc")
    assert recording.header.local_offset_s is None


def test_a_repeated_header_is_counted(read: Read) -> None:
    recording = read(SPELLINGS["repeated header"])
    assert list_remarks(recording)["headers repeated among the data, left out"] == 1


def test_a_quoted_cell_may_hold_line_ends_and_the_line_numbers_stay_right(read: Read) -> None:
    text = 'time,remark,heart_rate\n2026-05-02T07:30:00Z,"a\nb, c\n",70\n2026-05-02T07:30:01Z,,x\n'
    recording = read(text)
    assert list_heart_rates(recording)[0] == 70.0
    # The second data row begins on line 5: header, three lines of the first row, then it.
    assert any("'x' in line 5" in text for text in list_remarks(recording))


def test_columns_that_nothing_reads_are_named(read: Read) -> None:
    recording = read("time,heart_rate,mood\n2026-05-02T07:30:00Z,70,fine\n")
    assert "columns that nothing reads: mood" in list_remarks(recording)


def test_a_title_without_unit_is_remarked(read: Read) -> None:
    remarks = list_remarks(read("time,speed\n2026-05-02T07:30:00Z,2.5\n"))
    assert "column 'speed' names no unit; read as m/s" in remarks
    remarks = list_remarks(read("time,speed_kmh\n2026-05-02T07:30:00Z,9\n"))
    assert not any("names no unit" in text for text in remarks)


def test_of_two_columns_with_one_title_the_first_is_read(read: Read) -> None:
    recording = read("time,speed_kmh,speed_kmh\n2026-05-02T07:30:00Z,9,10\n")
    assert read_floats(recording.samples, "speed_mps").tolist() == [2.5]
    assert "the title 'speed_kmh' stands more than once; its first column is read" in list_remarks(
        recording
    )


# --- the forms of time -------------------------------------------------------------------------
#: Header and cell for 2026-05-02T07:30:00Z. 1777707000 s by `date -u -d 2026-05-02T07:30 +%s`.
SAME_INSTANT = [
    ("time", "2026-05-02T07:30:00Z"),
    ("time", "2026-05-02T07:30Z"),
    ("time", "2026-05-02 07:30:00 UTC"),
    ("time", "2026-05-02T07:30:00z"),
    ("time", "2026-05-02T07:30:00,000Z"),
    ("time", "20260502T073000Z"),
    ("time", "2026-05-02T09:30:00+02:00"),
    ("time", "2026-05-02 09:30:00 +0200"),
    ("time", "2026-05-02T09:30:00+02"),
    ("time", "2026-05-02T02:00:00.000-05:30"),
    ("timestamp_utc", "2026-05-02 07:30:00"),
    ("timestamp", "1777707000"),
    ("timestamp", "1777707000.000"),
    ("timestamp", "1.777707e9"),
    ("timestamp", "1777707000000"),
    ("timestamp_ms", "1777707000000"),
    ("epoch_s", "1777707000"),
]


@pytest.mark.parametrize(("title", "cell"), SAME_INSTANT)
def test_an_instant_may_be_written_in_many_forms(title: str, cell: str, read: Read) -> None:
    recording = read(f"{title};hr\n{cell};70\n")
    assert recording.start_utc == FIRST_UTC
    assert recording.header.time_basis == "utc"


def test_microseconds_survive(read: Read) -> None:
    recording = read("time,hr\n2026-05-02T07:30:00.123456Z,70\n2026-05-02T07:30:01.5Z,70\n")
    assert list_times(recording) == ["2026-05-02T07:30:00.123456", "2026-05-02T07:30:01.500000"]


def test_the_offset_of_the_first_stamp_is_the_local_offset(read: Read) -> None:
    recording = read("time,hr\n2026-05-02T09:30:00+02:00,70\n2026-05-02T04:30:01-03:00,70\n")
    assert recording.header.local_offset_s == 7200
    assert list_times(recording) == ["2026-05-02T07:30:00", "2026-05-02T07:30:01"]
    west = read("time,hr\n2026-05-02T02:00:00-05:30,70\n")
    assert west.header.local_offset_s == -19800


def test_times_without_an_offset_are_refused_without_a_zone(read: Read) -> None:
    with pytest.raises(
        NoClockError, match=r"no offset from UTC; set zone under \[time\]"
    ) as caught:
        read("time,hr\n2026-05-02T07:31:00,70\nlate,70\n2026-05-02T07:30:00.5,70\n")
    assert "or drop notes of the workout" in caught.value.remedy
    assert [str(one) for one in caught.value.local_span or ()] == [
        "2026-05-02 07:30:00.500000",
        "2026-05-02 07:31:00",
    ]
    # It crosses from the reading process to the one that asks the notes.
    assert pickle.loads(pickle.dumps(caught.value)).local_span == caught.value.local_span  # noqa: S301


def test_a_clock_that_was_never_set_spans_no_local_times(read: Read) -> None:
    with pytest.raises(NoClockError) as caught:
        read("time,hr\n1980-01-06T00:00:00,70\n")
    assert caught.value.local_span is None


#: By hand: 07:30 minus the offset of Nepal, of Newfoundland in winter, of Chatham in winter.
@pytest.mark.parametrize(
    ("minutes", "expected"), [(345, "01:45:00"), (-210, "11:00:00"), (765, "18:45:00")]
)
def test_the_offset_of_notes_places_local_times(minutes: int, expected: str, read: Read) -> None:
    zone = timezone(timedelta(minutes=minutes))
    recording = read("time,hr\n2026-05-02T07:30:00,70\n", zone=zone)
    assert f"{recording.start_utc:%H:%M:%S}" == expected
    assert recording.header.time_basis == "notes"
    assert recording.header.local_offset_s == 60 * minutes


def test_the_zone_of_a_layout_goes_before_the_offset_of_notes(read: Read, tmp_path: Path) -> None:
    text = (resources.files("config") / "columns" / "iso-time.toml").read_text()
    (tmp_path / "columns").mkdir()
    own = text.replace('form = "stamp"', 'form = "stamp"\nzone = "Asia/Tokyo"')
    (tmp_path / "columns" / "iso-time.toml").write_text(own)
    content = "time,hr\n2026-05-02T07:30:00,70\n"
    zone = timezone(timedelta(hours=2))
    recording = read(content, zone=zone, folders=(tmp_path / "columns",))
    # Tokyo is UTC+9 all year. Source: IANA time zone database.
    assert f"{recording.start_utc:%d %H:%M}" == "01 22:30"
    assert recording.header.time_basis == "zone"


#: Local time and UTC in Berlin, by the zone's rules: CEST is UTC+2, CET is UTC+1.
@pytest.mark.parametrize(
    ("header", "cell"),
    [
        ("time;hr", "2026-05-02T09:30:00"),
        ("time;hr", "2026-05-02 09:30"),
        ("date;time;hr", "2026-05-02;09:30:00"),
        ("date;time;hr", "02.05.2026;09:30:00"),
        ("time;hr", "02.05.2026 09:30:00"),
    ],
)
def test_a_stated_zone_places_local_times(header: str, cell: str, read: Read) -> None:
    recording = read(f"{header}\n{cell};70\n", zone="Europe/Berlin")
    assert recording.start_utc == FIRST_UTC
    assert recording.header.time_basis == "zone"
    assert recording.header.local_offset_s == 7200


def read_local(read: Read, *stamps: str) -> tuple[list[str], Recording]:
    rows = "".join(f"{stamp},70\n" for stamp in stamps)
    recording = read("time,hr\n" + rows, zone="Europe/Berlin")
    return [time[8:] for time in list_times(recording)], recording


# In Berlin clocks went from 03:00 CEST (UTC+2) back to 02:00 CET (UTC+1) on 2026-10-25 (last
# Sunday of October, EU directive 2000/84/EC): 02:30 is 00:30Z or 01:30Z.
def test_a_step_back_in_the_doubled_hour_shows_the_change(read: Read) -> None:
    day = "2026-10-25T"
    times, _ = read_local(read, f"{day}02:30:00", f"{day}02:59:59", f"{day}02:00:00")
    assert times == ["25T00:30:00", "25T00:59:59", "25T01:00:00"]


def test_the_doubled_hour_is_put_where_it_joins_the_rows_beside_it(read: Read) -> None:
    day = "2026-10-25T"
    times, recording = read_local(read, f"{day}01:59:59", f"{day}02:00:00")
    assert times == ["24T23:59:59", "25T00:00:00"]
    times, recording = read_local(read, f"{day}02:59:59", f"{day}03:00:00")
    assert times == ["25T01:59:59", "25T02:00:00"]
    assert any("winter time" in text for text in list_remarks(recording))


def test_a_doubled_hour_that_nothing_decides_is_summer_time_and_remarked(read: Read) -> None:
    times, recording = read_local(read, "2026-10-25T02:10:00", "2026-10-25T02:10:01")
    assert times == ["25T00:10:00", "25T00:10:01"]
    remark = "local times in the hour that comes twice in Europe/Berlin: nothing shows which, "
    assert list_remarks(recording)[remark + "taken as summer time"] == 2


def test_local_times_that_do_not_exist_are_left_out_and_counted(read: Read) -> None:
    # 2026-03-29: 02:00 CET became 03:00 CEST.
    times, recording = read_local(
        read, "2026-03-29T01:59:59", "2026-03-29T02:30:00", "2026-03-29T03:00:00"
    )
    assert times == ["29T00:59:59", "29T01:00:00"]
    counts = [n for text, n in list_remarks(recording).items() if "do not exist in" in text]
    assert counts == [1]


# --- elapsed times -----------------------------------------------------------------------------
def test_elapsed_seconds_without_a_date_begin_in_1970(read: Read) -> None:
    recording = read("seconds;bpm\n0;70\n1.5;71\n")
    assert list_times(recording) == ["1970-01-01T00:00:00", "1970-01-01T00:00:01.500000"]
    assert recording.header.time_basis == "elapsed"


def test_elapsed_clock_times_may_have_hours(read: Read) -> None:
    recording = read("elapsed,bpm\n00:01,70\n59:59,71\n1:00:00.5,72\n")
    seconds = [recording.samples.column("time_utc").to_pylist()[n].timestamp() for n in range(3)]
    assert seconds == [1.0, 3599.0, 3600.5]


@pytest.mark.parametrize(
    ("name", "zone", "start", "basis"),
    [
        ("2026-05-02T073000Z.csv", None, "2026-05-02T07:30:00", "utc"),
        ("rowan_2026-05-02_07-30-00Z.csv", None, "2026-05-02T07:30:00", "utc"),
        ("rowan-20260502T0730Z.csv", "Asia/Tokyo", "2026-05-02T07:30:00", "utc"),
        ("2026-05-02T07-30-00+0200.csv", None, "2026-05-02T05:30:00", "utc"),
        # Lisbon is UTC+1 in May.
        ("run 2026-05-02 07.30.15.csv", "Europe/Lisbon", "2026-05-02T06:30:15", "zone"),
        ("run 2026-05-02 07.30.15.csv", None, "1970-01-01T00:00:00", "elapsed"),
        ("run 2026-05-02.csv", "Europe/Lisbon", "1970-01-01T00:00:00", "elapsed"),
        ("run 2026-13-02 07.30.15.csv", "Europe/Lisbon", "1970-01-01T00:00:00", "elapsed"),
        ("4026050207301577.csv", "Europe/Lisbon", "1970-01-01T00:00:00", "elapsed"),
    ],
)
def test_the_file_name_may_place_elapsed_times(
    name: str, zone: str | None, start: str, basis: str, read: Read
) -> None:
    recording = read("seconds,bpm\n0,70\n1,71\n", name=name, zone=zone)
    assert list_times(recording)[0] == start
    assert recording.header.time_basis == basis


def test_times_of_day_are_not_added_to_the_date_in_the_name(read: Read) -> None:
    recording = read("time,bpm\n07:30:00,70\n07:30:01,71\n", name="2026-05-02T0730Z.csv")
    assert recording.header.time_basis == "elapsed"
    assert any("do not begin near zero" in text for text in list_remarks(recording))


# --- beats -------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    "text",
    [
        "800\n810\n790\n",
        "RR\n800\n810\n790\n",
        "rr (ms)\n800\n810\n790\n",
        "0.800\n0.810\n0.790\n",
        "RR_s\n0.8\n0.81\n0.79\n",
        "ibi\n0.8\n0.81\n0.79\n",
        "# belt\n\n800\n\n810\n790",
    ],
)
def test_intervals_alone_add_up_to_their_time(text: str, read: Read) -> None:
    recording = read(text)
    assert read_floats(recording.beats, "rr_s").tolist() == pytest.approx([0.8, 0.81, 0.79])
    # 0.800, 0.800 + 0.810, ... + 0.790
    assert [time[17:] for time in list_times(recording, "beats")] == [
        "00.800000",
        "01.610000",
        "02.400000",
    ]
    assert recording.samples.num_rows == 0
    assert recording.header.time_basis == "elapsed"


def test_intervals_with_times_are_beats_at_these_times(read: Read) -> None:
    recording = read("time,rr_ms,hr\n2026-05-02T07:30:00.800Z,800,75\n2026-05-02T07:30:02Z,,76\n")
    assert list_times(recording, "beats") == ["2026-05-02T07:30:00.800000"]
    assert recording.beats.column("rr_s").to_pylist() == [0.8]
    assert list_heart_rates(recording) == [75.0, 76.0]


def test_an_unreadable_interval_is_said_to_shift_the_later_ones(read: Read) -> None:
    recording = read("rr_ms\n800\nlost\n790\n805\n")
    assert recording.beats.num_rows == 3
    (text,) = [text for text in list_remarks(recording) if "too early" in text]
    assert "line 3" in text


def test_heart_rates_per_line_are_not_taken_for_intervals(read: Read) -> None:
    with pytest.raises(UnknownLayoutError):
        read("72\n73\n74\n")


def test_seconds_under_a_title_of_milliseconds_are_refused(read: Read) -> None:
    with pytest.raises(DamagedError, match=r"rr_ms has the median 0\.8"):
        read("rr_ms\n0.8\n0.81\n0.79\n")


# --- cells that cannot be read -----------------------------------------------------------------
@pytest.mark.parametrize(
    "cell", ["=1+1", "+cmd|'/c x'!A0", "1e999", "inf", "0x46", "7O", "1_000", "72 bpm", "--1"]
)
def test_a_cell_that_is_no_number_is_missing_and_counted(cell: str, read: Read) -> None:
    recording = read(f"{HEADER}{ROWS}2026-05-02T07:30:04Z,{cell}\n")
    assert np.isnan(list_heart_rates(recording)[4])
    (count,) = [n for text, n in list_remarks(recording).items() if "no number" in text]
    assert count == 1
    assert any(f"{cell!r} in line 6" in text for text in list_remarks(recording))


@pytest.mark.parametrize("cell", ["", "-", "--", "NaN", "null", "None", "N/A"])
def test_a_missing_marker_is_missing_without_complaint(cell: str, read: Read) -> None:
    recording = read(f"{HEADER}{ROWS}2026-05-02T07:30:04Z,{cell}\n")
    assert np.isnan(list_heart_rates(recording)[4])
    assert not any("no number" in text for text in list_remarks(recording))


def test_a_row_without_a_readable_time_is_left_out_and_counted(read: Read) -> None:
    recording = read(f"{HEADER}{ROWS}2026-05-02T25:30:04Z,75\nlater,76\n")
    assert recording.samples.num_rows == 4
    (text,) = [text for text in list_remarks(recording) if "without a readable time" in text]
    assert "line 6" in text
    assert list_remarks(recording)[text] == 2


def test_a_row_with_too_many_cells_is_left_out_and_counted(read: Read) -> None:
    recording = read(f"{HEADER}{ROWS}2026-05-02T07:30:04Z,75,5\n")
    assert recording.samples.num_rows == 4
    assert "rows with more filled cells than the header, left out; the first is line 6" in (
        list_remarks(recording)
    )


def test_a_short_row_lacks_only_its_last_values(read: Read) -> None:
    recording = read(
        "time,hr,power\n2026-05-02T07:30:00Z,70,200\n2026-05-02T07:30:01Z,71\n"
        "2026-05-02T07:30:02Z,72,202\n"
    )
    assert list_heart_rates(recording) == [70.0, 71.0, 72.0]
    assert np.isnan(read_floats(recording.samples, "power_w")[1])


def test_more_bad_rows_than_good_ones_are_refused_with_the_line(read: Read) -> None:
    with pytest.raises(DamagedError, match=r"export.csv: line 2: time 'a' .* 3 of 4 rows"):
        read(HEADER + "a,1\nb,2\n2026-05-02T07:30:00Z,70\nc,3\n")


def test_an_unquoted_decimal_comma_is_refused_with_the_reason(read: Read) -> None:
    with pytest.raises(DamagedError, match=r"line 2: has more filled cells .*decimal comma"):
        read("time,speed (km/h)\n2026-05-02T07:30:00Z,9,5\n2026-05-02T07:30:01Z,9,6\n")


def test_a_decimal_comma_is_read_where_the_comma_does_not_separate(read: Read) -> None:
    recording = read("time;speed (km/h)\n2026-05-02T07:30:00Z;9,0\n2026-05-02T07:30:01Z;10,8\n")
    # 9 km/h = 2.5 m/s, 10.8 km/h = 3 m/s
    assert read_floats(recording.samples, "speed_mps").tolist() == pytest.approx([2.5, 3.0])


def test_thousands_separators_are_not_guessed(read: Read) -> None:
    recording = read(
        'time,distance (m)\n2026-05-02T07:30:00Z,999\n2026-05-02T07:30:01Z,"1,001"\n'
        "2026-05-02T07:30:02Z,1003\n"
    )
    assert np.isnan(read_floats(recording.samples, "distance_m")[1])


def test_a_file_that_stops_inside_its_last_row_is_partial(read: Read) -> None:
    recording = read("time,hr,power\n" + ROWS.replace("\n", ",200\n") + "2026-05-02T07:30:04Z,7")
    assert recording.header.status == "partial"
    assert list_heart_rates(recording) == [70.0, 71.0, 72.0, 73.0]


def test_an_open_quote_is_refused_with_its_line(read: Read) -> None:
    with pytest.raises(DamagedError, match="line 6: a quoted cell that begins here never ends"):
        read(f'{HEADER}{ROWS}2026-05-02T07:30:04Z,"75\n2026-05-02T07:30:05Z,76\n')


@pytest.mark.parametrize("text", [HEADER, HEADER + "\n \n", HEADER + "2026-05-02T07:30:00Z,\n"])
def test_a_file_without_a_value_holds_nothing(text: str, read: Read) -> None:
    with pytest.raises(NothingRecordedError):
        read(text)


def test_an_absurdly_wide_line_is_refused(read: Read) -> None:
    with pytest.raises(DamagedError, match=r"line 3 has \d+ cells"):
        read(HEADER + "2026-05-02T07:30:00Z,70\n" + "," * 5000 + "\n")


def test_a_header_of_thousands_of_columns_is_refused(read: Read) -> None:
    # 11 kB of this took half a minute, and with more rows a gigabyte: each row is filled up to
    # the width of its header. Found by guided fuzzing.
    with pytest.raises(DamagedError, match="line 1 has more than 500 columns"):
        read(HEADER.replace("\n", "," * 3999 + "\n") + ROWS)


def test_a_wide_header_over_thousands_of_short_lines_is_refused(read: Read) -> None:
    # Filled up, 100 kB of this become 4.8 million cells. Found by guided fuzzing.
    wide = HEADER.replace("\n", "," * 398 + "\n")
    with pytest.raises(DamagedError, match="line 1 has 400 cells, and the 12001 lines below"):
        read(wide + "5,7\n" * 12_000)


def test_a_wide_line_among_thousands_of_short_ones_is_refused(read: Read) -> None:
    with pytest.raises(DamagedError, match="line 2 has 400 cells, and the 12002 lines below"):
        read(HEADER + "," * 399 + "\n" + "5,7\n" * 12_000)


def test_lines_that_lack_their_last_cells_are_read(read: Read) -> None:
    recording = read(HEADER.replace("\n", "," * 98 + "\n") + ROWS)
    assert recording.samples.num_rows == ROWS.count("\n")


# --- layouts -----------------------------------------------------------------------------------
OWN = """\
name = "meadow"
about = "Invented"
delimiters = [";"]
missing = ["x"]
[time]
form = "stamp"
zone = "Asia/Tokyo"
column = ["moment"]
[facts]
sport = "rowing"
creator = "Meadow"
[[column]]
theirs = ["beat"]
ours = "heart_rate_bpm"
unit = "bpm"
missing = ["0"]
required = true
"""


def test_an_own_layout_is_read_with_its_zone_facts_and_markers(read: Read, tmp_path: Path) -> None:
    (tmp_path / "meadow.toml").write_text(OWN)
    text = "moment;beat\n2026-05-02T16:30:00;70\n2026-05-02T16:30:01;0\n2026-05-02T16:30:02;x\n"
    recording = read(text, folders=(tmp_path, tmp_path / "none"))
    # Tokyo is UTC+9 all year.
    assert recording.start_utc == FIRST_UTC
    assert (recording.header.sport, recording.header.creator) == ("rowing", "Meadow")
    assert np.isnan(list_heart_rates(recording)).tolist() == [False, True, True]


def test_a_layout_that_uses_more_columns_wins(read: Read, tmp_path: Path) -> None:
    (tmp_path / "meadow.toml").write_text(
        OWN.replace('"moment"', '"time"').replace('"beat"', '"mood"')
        + '[[column]]\ntheirs = ["heart_rate"]\nours = "power_w"\nunit = "W"\n'
    )
    recording = read("time;heart_rate;mood\n2026-05-02T07:30:00Z;200;70\n", folders=(tmp_path,))
    assert recording.samples.column("power_w").to_pylist() == [200.0]


def test_two_layouts_that_read_different_numbers_are_both_named(read: Read, tmp_path: Path) -> None:
    other = OWN.replace('"meadow"', '"river"').replace("heart_rate_bpm", "power_w")
    (tmp_path / "meadow.toml").write_text(OWN)
    (tmp_path / "river.toml").write_text(other.replace('unit = "bpm"', 'unit = "W"'))
    with pytest.raises(UnknownLayoutError, match="two layouts read it differently: meadow and riv"):
        read("moment;beat\n2026-05-02T16:30:00;70\n", folders=(tmp_path,))


def test_a_broken_layout_file_does_not_stop_others_but_is_remarked(
    read: Read, tmp_path: Path
) -> None:
    (tmp_path / "bad.toml").write_text(OWN.replace("heart_rate_bpm", "heart_rate"))
    recording = read(HEADER + ROWS, folders=(tmp_path,))
    assert any("bad.toml, line 14" in text for text in list_remarks(recording))
    with pytest.raises(
        UnknownLayoutError, match=r"bad\.toml, line 14: ours = 'heart_rate' is no column"
    ):
        read("moment;beat\n2026-05-02T16:30:00;70\n", folders=(tmp_path,))


def test_an_unknown_layout_shows_its_header_and_a_proposal(read: Read) -> None:
    with pytest.raises(UnknownLayoutError) as caught:
        read("Moment,Quantity\n2026-05-02T07:30:00Z,70\n")
    assert "line 1: 'Moment,Quantity'" in caught.value.found
    assert caught.value.proposal.startswith("# A layout for")


#: Files that no shipped layout knows, but whose titles say what they are.
GUESSABLE = {
    "words": "Clock Time,My Heart Rate,Dist [km]\n2026-05-02T07:30:00Z,70,0\n",
    "semicolons": "Start moment;Puls HR;Speed kmh\n2026-05-02T07:30:00Z;70;9,5\n",
    "epoch": "Device time\tHeart now\n1777707000000\t70\n",
    "elapsed": "Elapsed since go,HR of belt\n0,70\n1,71\n",
    "clock": "Run clock,HR of belt\n0:00:00,70\n0:00:01,71\n",
    "two columns": "My date,My time,HR of belt\n2026-05-02,07:30:00,70\n",
}


@pytest.mark.parametrize("text", GUESSABLE.values(), ids=GUESSABLE)
def test_a_guessed_proposal_reads_the_file_it_was_made_for(
    text: str, read: Read, tmp_path: Path
) -> None:
    with pytest.raises(UnknownLayoutError) as caught:
        read(text, name="Own Device 7.csv", zone="UTC")
    proposal = caught.value.proposal
    assert parse_layout(proposal, file="x", vocabulary=VOCABULARY).name == "own-device-7"
    (tmp_path / "own.toml").write_text(proposal)
    recording = read(text, name="Own Device 7.csv", zone="UTC", folders=(tmp_path,))
    assert list_heart_rates(recording)[0] == 70.0


def test_a_proposal_marks_what_a_person_must_check(read: Read) -> None:
    with pytest.raises(UnknownLayoutError) as caught:
        read("a,Speed here\n1,9.5\n2,9.6\n")
    proposal = caught.value.proposal
    assert "# CHECK: which column is the time" in proposal
    assert 'unit = "m/s"  # CHECK: the title does not say' in proposal


def test_the_shipped_layouts_have_no_fault() -> None:
    book = load_layouts((), vocabulary=VOCABULARY)
    assert book.faults == ()
    assert {"iso-time", "elapsed-seconds", "epoch-milliseconds", "rr-milliseconds"} <= {
        layout.name for layout in book.layouts
    }


# --- completeness, bytes, everything -----------------------------------------------------------
def test_a_growing_file_is_complete_when_its_last_row_is(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    for text, complete in (
        (HEADER + ROWS, True),
        ((HEADER + ROWS).rstrip(), True),
        (HEADER + ROWS + "2026-05-02T07:30", False),
        ("800\n810\n790", True),
    ):
        path.write_text(text)
        assert is_complete(path, path.name) is complete, text


@pytest.mark.parametrize(
    "content",
    [
        b"<?xml version='1.0'?><gpx, a='1'>",
        b'{"a": 1, "b": 2}',
        b"PK\x03\x04\x00\x00,\x00,",
        b"a few words\nno table, at all\nnothing\nmore\n",
    ],
)
def test_other_content_is_not_taken_for_a_table(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(content)
    with pytest.raises(ExportRefusedError) as caught:
        read_export(ExportFile(path, path.name), ReadOptions())
    assert not isinstance(caught.value, UnknownLayoutError)


def write_and_read(path: Path, text: str) -> Recording | CowornError:
    path.write_text(text)
    try:
        return read_export(ExportFile(path, path.name), ReadOptions())[0]
    except CowornError as error:
        return error


@given(
    st.lists(
        st.lists(
            st.sampled_from(["", "70", "7,1", '"', "x", "\n", "2026-05-02T07:30:00Z", "\x00"])
        ),
        max_size=6,
    ),
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from(["", "time?hr\n", "seconds?bpm\n"]),
)
def test_any_table_is_read_or_refused_with_its_name(
    tmp_path_factory: pytest.TempPathFactory, rows: list[list[str]], sign: str, header: str
) -> None:
    path = tmp_path_factory.mktemp("any") / "any.csv"
    text = header.replace("?", sign) + "\n".join(sign.join(row) for row in rows)
    outcome = write_and_read(path, text)
    if isinstance(outcome, CowornError):
        message = str(outcome)
        assert message.startswith("any.csv: ")
        assert "\n" not in message
        assert "cannot be decoded" not in message
    else:
        assert outcome.samples.num_rows + outcome.beats.num_rows > 0
