"""Notes kept in a spreadsheet: what is read; every complaint names file, line and remedy."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tasks.core.errors import NotesError
from tasks.readers.notes import is_notes, read_all_notes, read_notes

if TYPE_CHECKING:
    from tasks.core.notes import Notes

NAME = "winter.notes.csv"
HEAD = "start,device,distance_m,battery start,Battery-End,wrist\n"
START = "2026-05-02T07:30:00+02:00"


def read(text: str, zone: str | None = None, known: frozenset[str] | None = None) -> list[Notes]:
    return list(read_all_notes(text, name=NAME, file_id="ab", zone=zone, known_devices=known))


def test_a_spreadsheet_of_notes_is_known_by_its_name() -> None:
    assert is_notes("Winter.NOTES.csv")
    assert not is_notes("winter.csv")
    assert not is_notes("notes.csv")


def test_rows_of_one_start_are_one_workout_and_keep_their_devices_apart() -> None:
    text = f"{HEAD}{START},alder-2,8000,96,81%,left\n{START},alder-1,,90,70,right\n"
    (notes,) = read(text)
    assert notes.start_utc == datetime(2026, 5, 2, 5, 30, tzinfo=UTC)
    assert notes.local_offset_s == 7200
    assert notes.truth.distance_m == 8000.0
    assert notes.setup == {
        "alder-2": {"battery_start_pct": 96.0, "battery_end_pct": 81.0, "wrist": "left"},
        "alder-1": {"battery_start_pct": 90.0, "battery_end_pct": 70.0, "wrist": "right"},
    }
    assert (notes.name, notes.file_id, notes.whole_day) == (NAME, "ab", False)


def test_a_sheet_and_a_toml_that_say_the_same_are_the_same_notes() -> None:
    (sheet,) = read(f"{HEAD}{START},alder-2,8000,96,81,left\n")
    toml = read_notes(
        f"start = {START}\n[truth]\ndistance_m = 8000\n[setup.alder-2]\n"
        'battery_start_pct = 96\nbattery_end_pct = 81\nwrist = "left"\n',
        name="one.notes.toml",
    )
    assert sheet.mark == toml.mark


def test_a_changed_row_changes_the_mark_of_its_own_workout_only() -> None:
    other = "2026-05-03T07:30:00+02:00"
    before = read(f"{HEAD}{START},a,8000,,,\n{other},a,5000,,,\n")
    after = read(f"{HEAD}{START},a,8000,,,\n{other},a,5010,,,\n")
    assert before[0].mark == after[0].mark
    assert before[1].mark != after[1].mark


def test_one_workout_per_start_in_the_order_of_the_rows() -> None:
    text = f"start,device\n2026-05-03T10:00:00Z,a\n{START},a\n2026-05-03T10:00:00Z,b\n"
    assert [sorted(notes.setup) for notes in read(text)] == [["a", "b"], ["a"]]


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_every_delimiter_of_spreadsheets_is_read(delimiter: str) -> None:
    text = f"{HEAD}{START},alder-2,8000,96,81,left\n".replace(",", delimiter)
    (notes,) = read(text)
    assert notes.truth.distance_m == 8000.0


def test_decimal_commas_are_numbers_where_cells_are_parted_by_semicolons() -> None:
    (notes,) = read(f"start;distance_km\n{START};8,05\n")
    assert notes.truth.distance_m == 8050.0


def test_byte_order_mark_blank_lines_and_windows_line_ends_change_nothing() -> None:
    plain = read(f"{HEAD}{START},alder-2,8000,96,81,left\n")
    odd = read(f"\ufeff{HEAD}\n,,,,,\n{START},alder-2,8000,96,81,left\n\n".replace("\n", "\r\n"))
    assert odd[0].mark == plain[0].mark


@pytest.mark.parametrize(
    ("column", "cell", "metres"),
    # The international mile is 1,609.344 m exactly.
    [("distance_km", "10.5", 10500.0), ("distance_mi", "2", 3218.688), ("distance_m", ".5", 0.5)],
)
def test_distances_may_be_given_in_other_units(column: str, cell: str, metres: float) -> None:
    (notes,) = read(f"start,{column}\n{START},{cell}\n")
    assert notes.truth.distance_m == metres


def test_a_pool_of_25_yards_is_22_86_metres_exactly() -> None:
    # The international yard is 0.9144 m exactly.
    (notes,) = read(f"start,pool_length_yd,lengths\n{START},25,40\n")
    assert notes.truth.pool_length_m == 22.86
    assert notes.truth.known_distance_m == pytest.approx(914.4)


def test_strokes_are_words_in_one_cell() -> None:
    (notes,) = read(f'start,lengths,strokes\n{START},2,"freestyle; drill"\n')
    assert notes.truth.strokes == ("freestyle", "drill")
    (notes,) = read(f"start,strokes\n{START},backstroke\n")
    assert notes.truth.strokes == ("backstroke",)


def test_setup_cells_stay_as_they_are_written() -> None:
    (notes,) = read(f"start,device,Firmware,strap tension\n{START},a,4.10,3\n")
    assert notes.setup["a"] == {"firmware": "4.10", "strap_tension": "3"}


def test_date_and_time_without_offset_are_in_the_zone_of_the_settings() -> None:
    # Central European Summer Time is UTC+2.
    (notes,) = read("date,time,device\n2026-05-02,7:30,a\n", zone="Europe/Berlin")
    assert notes.start_utc == datetime(2026, 5, 2, 5, 30, tzinfo=UTC)
    assert not notes.whole_day


def test_a_date_alone_stands_for_its_day() -> None:
    (notes,) = read("date,device\n2026-05-02,a\n", zone="Europe/Berlin")
    assert notes.whole_day
    assert notes.start_utc == datetime(2026, 5, 1, 22, 0, tzinfo=UTC)
    (notes,) = read("date,device\n2026-05-02,a\n")
    assert notes.start_utc == datetime(2026, 5, 2, 0, 0, tzinfo=UTC)


def test_what_only_turns_out_wrong_later_knows_its_line() -> None:
    (notes,) = read(f"{HEAD}\n{START},alder-2,,,,left\n")
    assert notes.locate("setup.alder-2") == f"{NAME}, line 3"
    assert notes.locate("start") == f"{NAME}, line 3"
    assert notes.locate("setup.other") == NAME


def test_an_all_empty_sheet_of_names_has_no_workout() -> None:
    assert read(HEAD) == []


ROW = f"{START},alder-2"
BAD = [
    ("", 1, "the file is empty", "line of names"),
    ("device,wrist\nalder-2,left\n", 1, "no column 'start' or 'date'", "add start"),
    (f"start,distance\n{START},8\n", 1, "does not say its unit", "distance_km"),
    (f"start,pool\n{START},25\n", 1, "does not say its unit", "pool_length_yd"),
    (f"start,device,device\n{ROW},b\n", 1, "'device' stands twice", "remove one"),
    (f"start,battery start,battery_start_pct\n{START},9,9\n", 1, "stands twice", "remove one"),
    (f"start,,device\n{START},x,a\n", 1, "column 2 has no name", "give it one"),
    (f"start,device\n{ROW},left\n", 2, '"left" stands in a column without a name', "quotes"),
    (f"start,device\n{ROW}\n,alder-1\n", 3, "the row has no date", "fill in start"),
    ("start,device\n02.05.2026,alder-2\n", 2, '"02.05.2026" is no date', "year first"),
    ("start,device\n5/2/2026,alder-2\n", 2, '"5/2/2026" is no date', "year first"),
    ("date,device\n2026-02-30,alder-2\n", 2, '"2026-02-30" is no date', "year first"),
    ("start,device\n2026-05-02T07:30,alder-2\n", 2, "no offset from UTC", "time.zone"),
    ("date,device\n0001-01-01,alder-2\n", 2, '"0001-01-01" is no date', "year first"),
    ("start,device\n9999-12-31T23:30:00Z,a\n", 2, "is no date", "year first"),
    (f"start,true_start\n{START},0202-05-02T07:30:00Z\n", 2, "no year of a workout", "write"),
    ("date,time,device\n2026-05-02,25:10,a\n", 2, '"25:10" is no time of day', "07:30"),
    ("date,time,device\n2026-05-02,half past 7,a\n", 2, "is no time of day", "07:30"),
    (f"start,date,device\n{START},2026-05-02,a\n", 2, "a start and a date", "start alone"),
    (f"start,wrist\n{START},left\n", 2, "the row names no device", "fill in device"),
    (f"start,device\n{ROW}\n{ROW}\n", 3, "stands twice for one workout, first in line 2", "start"),
    (f"start,distance_m\n{START},8 km\n", 2, 'distance_m = "8 km" is no number', "1.0"),
    (f"start,distance_m\n{START},-5\n", 2, "distance_m = -5.0 is too small", "above 0"),
    (f"start,distance_m\n{START},8000\n{START},8050\n", 3, "line 2 of the same", "correct one"),
    (f"start,activity\n{START},running\n{START},cycling\n", 3, "line 2 of the same", "correct"),
    (f"start,activity\n{START},chess\n", 2, 'activity = "chess" is unknown', "words are"),
    (f"start,place\n{START},belt\n", 2, 'place = "belt" is unknown', "treadmill"),
    (f"start,distance_tolerance_pct\n{START},1\n", 2, "without truth.distance_m", "add"),
    (f"start,lengths\n{START},40.5\n", 2, "is no whole number", "count whole"),
    (f"start,stroke_count\n{START},40.5\n", 2, "is no whole number", "count strokes"),
    (f"start,strokes\n{START},crawl\n", 2, '"crawl" is unknown', "words are"),
    (f"start,strokes\n{START},drill;drill\n", 2, "truth.lengths is missing", "lengths = 2"),
    (f"start,pool_length_m,pool_length_yd\n{START},25,25\n", 2, "beside", "once"),
    (f"start,lengths,pool_length_m,distance_m\n{START},40,25,1200\n", 2, "are 1000 m", "correct"),
    (f"start,device,battery_end\n{ROW},120\n", 2, "is out of range", "from 0 to 100"),
    (f"start,device,battery_end\n{ROW},low\n", 2, 'battery_end_pct = "low" is no number', "1.0"),
    (f"start,device,battery_start,battery_end\n{ROW},80,90\n", 2, "is above", "charged"),
    (f"start,true_start\n{START},07:28\n", 2, "is no date with time", "start_utc ="),
    (f'start,device\n{START},"alder-2\n', 2, "this is no CSV", "close the quotes"),
]


@pytest.mark.parametrize(("text", "line", "found", "remedy"), BAD)
def test_complaint_names_file_line_value_and_remedy(
    text: str, line: int, found: str, remedy: str
) -> None:
    with pytest.raises(NotesError) as caught:
        read(text)
    message = str(caught.value)
    assert message.startswith(f"{NAME}, line {line}: ")
    assert found in message
    assert remedy in message
    assert "\n" not in message


def test_there_are_more_than_thirty_ways_to_go_wrong() -> None:
    assert len(BAD) > 30


def test_an_unknown_device_is_named_with_its_line_and_the_nearest_known_one() -> None:
    text = f"start,device,wrist\n{START},alder-1,left\n{START},adler-2,left\n"
    with pytest.raises(NotesError, match=r"line 3: .*'adler-2'.*did you mean 'alder-2'"):
        read(text, known=frozenset({"alder-1", "alder-2"}))


TOML_START = "start = 2026-05-02T07:30:00+02:00\n"


def test_yards_and_stroke_counts_stand_in_toml_too() -> None:
    text = f"{TOML_START}[truth]\nlengths = 40\npool_length_yd = 25\nstroke_count = 720\n"
    (notes,) = read_all_notes(text, name="pool.notes.toml")
    assert (notes.truth.pool_length_m, notes.truth.stroke_count) == (22.86, 720)


@pytest.mark.parametrize(
    ("text", "line", "found"),
    [
        ("[truth]\npool_length_m = 25\npool_length_yd = 25\n", 4, "beside truth.pool_length_m"),
        ("[truth]\nstroke_count = 7.5\n", 3, "is no whole number"),
        ("[truth]\nstart_utc = 0026-05-02T05:30:00Z\n", 3, "no year of a workout"),
        (
            '[[segment]]\nname = "x"\nfrom = "00:00"\nto = "99999999999999:00"\n',
            5,
            '"99999999999999:00" is no time',
        ),
        (
            f'[[segment]]\nname = "x"\nfrom = "00:00"\nto = "{"9" * 5000}:00"\n',
            5,
            "is no time",
        ),
        ("[truth]\nlengths = 400000\n", 3, "more than anybody swims"),
        ("[setup.a]\nbattery_start_pct = 80\nbattery_end_pct = 90\n", 4, "is above"),
        (
            '[[segment]]\nname = "stroke:drill"\nfrom = "00:00"\nto = "01:00"\n',
            3,
            "a meaning of its own",
        ),
    ],
)
def test_contradictions_in_toml_are_named_with_their_line(text: str, line: int, found: str) -> None:
    with pytest.raises(NotesError) as caught:
        read_all_notes(TOML_START + text, name="pool.notes.toml")
    assert str(caught.value).startswith(f"pool.notes.toml, line {line}: ")
    assert found in str(caught.value)


CELLS = st.one_of(
    st.text(max_size=12),
    st.sampled_from(
        [START, "2026-05-02", "0001-01-01", "9999-12-31", "07:30", "8,5", "1e999", '"']
    ),
    st.floats().map(str),
    st.integers().map(str),
)
NAMES = st.sampled_from(
    (
        *("start", "date", "time", "device", "distance_m", "lengths", "strokes", "wrist", "x"),
        *("battery start", "battery_end", "true_start", "pool_length_yd", "activity", "course"),
    )
)


@given(
    names=st.lists(NAMES, max_size=8, unique=True),
    rows=st.lists(st.lists(CELLS, max_size=8), max_size=4),
    delimiter=st.sampled_from([",", ";", "\t"]),
    zone=st.sampled_from([None, "Europe/Berlin", "Pacific/Kiritimati"]),
)
def test_any_sheet_is_read_or_refused_in_one_line(
    names: list[str], rows: list[list[str]], delimiter: str, zone: str | None
) -> None:
    lines = [delimiter.join(cells) for cells in [["date", *names], *rows]]
    try:
        found = read("\n".join(lines), zone=zone)
    except NotesError as error:
        assert "\n" not in str(error)  # noqa: PT017 - either outcome is right
    else:
        assert all(notes.mark for notes in found)


@given(st.text())
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        read(text)
    except NotesError as error:
        assert str(error).startswith(NAME)  # noqa: PT017 - either outcome is right
