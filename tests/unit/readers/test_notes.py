"""Notes: what is accepted, and that every complaint names file, line, value and remedy."""

from __future__ import annotations

import pickle
from datetime import UTC, datetime

import pytest
import tomlkit
from hypothesis import given
from hypothesis import strategies as st

from tasks.core.errors import NotesError
from tasks.readers.notes import is_notes, read_notes

NAME = "harbour.notes.toml"
#: The example of the interface, whole.
WHOLE = """\
start = 2026-05-02T07:30:00+02:00
activity = "running"
place = "treadmill"
course = "harbour-loop"
[truth]
distance_m = 8000
distance_tolerance_pct = 0.5
start_utc = 2026-05-02T05:28:10Z
[[segment]]
name = "road out"
from = "00:00"
to = "22:10"
[[segment]]
name = "climb"
from = "21:00"
to = "1:02:03.5"
distance_m = 1500
[[segment]]
name = "home"
from = 2026-05-02T06:40:00Z
to = "2026-05-02T09:00:00+02:00"
[setup.alder-2]
wrist = "left"
firmware = "4.1"
battery_start_pct = 96
battery_end_pct = 81
backlight = true
"""
START = "start = 2026-05-02T07:30:00+02:00\n"


def segment(begin: str, end: str, extra: str = "") -> str:
    return f'{START}[[segment]]\nname = "out"\nfrom = {begin}\nto = {end}\n{extra}'


def test_notes_are_known_by_their_name() -> None:
    assert is_notes("Harbour.NOTES.toml")
    assert not is_notes("notes.toml.csv")
    assert not is_notes("devices.toml")


def test_the_whole_example_is_read() -> None:
    notes = read_notes(WHOLE, name=NAME, file_id="ab", known_devices=frozenset({"alder-2"}))
    # 07:30 at +02:00 is 05:30 UTC.
    assert notes.start_utc == datetime(2026, 5, 2, 5, 30, tzinfo=UTC)
    assert notes.local_offset_s == 7200
    assert (notes.activity, notes.place, notes.course) == ("running", "treadmill", "harbour-loop")
    assert (notes.file_id, notes.name) == ("ab", NAME)
    assert notes.truth.distance_m == 8000.0
    assert notes.truth.distance_tolerance_pct == 0.5
    assert notes.truth.start_utc == datetime(2026, 5, 2, 5, 28, 10, tzinfo=UTC)
    out, climb, home = notes.segments
    assert (out.name, out.from_s, out.to_s, out.distance_m) == ("road out", 0.0, 1330.0, None)
    # 1:02:03.5 is 3600 + 120 + 3.5 s.
    assert (climb.from_s, climb.to_s, climb.distance_m) == (1260.0, 3723.5, 1500.0)
    assert (home.from_s, home.to_s) == (None, None)
    assert home.from_utc == datetime(2026, 5, 2, 6, 40, tzinfo=UTC)
    assert home.to_utc == datetime(2026, 5, 2, 7, 0, tzinfo=UTC)
    assert notes.setup == {
        "alder-2": {
            "wrist": "left",
            "firmware": "4.1",
            "battery_start_pct": 96.0,
            "battery_end_pct": 81.0,
            "backlight": True,
        }
    }


def test_a_start_alone_is_enough() -> None:
    notes = read_notes("start = 2026-05-02T05:30:00Z", name=NAME)
    assert notes.start_utc == datetime(2026, 5, 2, 5, 30, tzinfo=UTC)
    assert notes.local_offset_s is None
    assert notes.segments == ()
    assert notes.truth.distance_m is None


def test_windows_line_ends_and_a_byte_order_mark_change_nothing() -> None:
    plain = read_notes(WHOLE, name=NAME)
    assert read_notes("\ufeff" + WHOLE.replace("\n", "\r\n"), name=NAME) == plain


def test_one_stroke_word_holds_for_all_lengths() -> None:
    truth = read_notes(f'{START}[truth]\nlengths = 40\nstrokes = "freestyle"', name=NAME).truth
    assert truth.strokes == ("freestyle",)
    assert truth.lengths == 40
    truth = read_notes(
        f'{START}[truth]\nlengths = 2\nstrokes = ["drill", "medley"]', name=NAME
    ).truth
    assert truth.strokes == ("drill", "medley")


def test_setup_keys_are_free_and_dates_become_text() -> None:
    text = f"{START}[setup.alder-2]\nbought = 2026-01-02\nangle_deg = 3\nat = 07:30:00\n"
    assert read_notes(text, name=NAME).setup["alder-2"] == {
        "bought": "2026-01-02",
        "angle_deg": 3.0,
        "at": "07:30:00",
    }


def test_an_unknown_device_is_accepted_when_no_devices_are_given() -> None:
    assert "elm-9" in read_notes(f'{START}[setup.elm-9]\na = "b"', name=NAME).setup


#: What is wrong, text, line, a part of what was found, a part of the remedy.
BAD: list[tuple[str, str, int, str, str]] = [
    ("empty", "", 1, "'start' is missing", "start = 2026-05-02"),
    ("no start", 'activity = "running"\n', 1, "'start' is missing", "start = 2026-05-02"),
    ("no toml", f"{START}activity = running\n", 2, "this is no TOML", "in quotes"),
    ("unclosed quote", f'{START}\nplace = "gym\n', 3, "this is no TOML", "in quotes"),
    ("key twice", f'{START}place = "gym"\nplace = "gym"\n', 3, "this is no TOML", ""),
    ("deep", f"{START}x = {'[' * 5000}", 1, "too many brackets", ""),
    ("naive start", "\nstart = 2026-05-02T07:30:00\n", 2, "no offset from UTC", "+02:00"),
    ("naive text", 'start = "2026-05-02 07:30"\n', 1, "no offset from UTC", "+02:00"),
    ("date only", "start = 2026-05-02\n", 1, "2026-05-02 is no date with time", "07:30:00"),
    ("word start", 'start = "noon"\n', 1, '"noon" is no date with time', "07:30:00"),
    ("number start", "start = 20260502\n", 1, "20260502 is no date", "07:30:00"),
    ("activity", f'{START}activity = "runing"\n', 2, '"runing" is unknown', "'running'"),
    ("spelling", f'{START}activity = "mountain_biking"\n', 2, "_biking", "'mountain-biking'"),
    ("far word", f'{START}activity = "zzz"\n', 2, '"zzz" is unknown', "words are running, cyc"),
    ("number word", f"{START}activity = 3\n", 2, "activity = 3 is no text", "in quotes"),
    ("true word", f"{START}activity = true\n", 2, "activity = true is no text", "in quotes"),
    ("blank", f'{START}activity = " "\n', 2, "activity is empty", "remove the line"),
    ("place", f'{START}place = "Treadmil"\n', 2, '"Treadmil" is unknown', "'treadmill'"),
    ("course", f'{START}course = "../x"\n', 2, '"../x" is no file name', "courses/"),
    ("top key", f'{START}\nactivty = "running"\n', 3, "unknown key 'activty'", "'activity'"),
    ("truth key", f"{START}[truth]\ndistance = 8\n", 3, "'truth.distance'", "'distance_m'"),
    ("truth value", f"{START}truth = 5\n", 2, "truth = 5 is no table", "[truth]"),
    ("negative", f"{START}[truth]\ndistance_m = -8\n", 3, "= -8 is too small", "above 0"),
    ("zero", f"{START}[truth]\ndistance_m = 0\n", 3, "= 0 is too small", "above 0"),
    ("bool", f"{START}[truth]\ndistance_m = true\n", 3, "= true is no number", "a number"),
    ("text", f'{START}[truth]\ndistance_m = "8 km"\n', 3, '"8 km" is no number', "a number"),
    ("nan", f"{START}[truth]\ndistance_m = nan\n", 3, "nan is no finite number", "remove"),
    ("infinite", f"{START}[truth]\nascent_m = inf\n", 3, "inf is no finite number", "remove"),
    ("ascent", f"{START}[truth]\nascent_m = -1\n", 3, "= -1 is out of range", "at least 0"),
    (
        "tolerance",
        f"{START}[truth]\ndistance_m = 8\ndistance_tolerance_pct = 120\n",
        4,
        "distance_tolerance_pct = 120 is out of range",
        "from 0 to 100",
    ),
    (
        "tolerance alone",
        f"{START}[truth]\ndistance_tolerance_pct = 1\n",
        3,
        "without truth.distance_m",
        "add distance_m",
    ),
    ("lengths", f"{START}[truth]\nlengths = 39.5\n", 3, "39.5 is no whole number", "whole"),
    ("fewer than none", f"{START}[truth]\nlengths = -1\n", 3, "= -1 is out of range", "least 0"),
    ("true lengths", f"{START}[truth]\nlengths = true\n", 3, "= true is no number", "number"),
    ("pool", f"{START}[truth]\npool_length_m = 2500\n", 3, "= 2500 is out of range", "200"),
    ("true start", f"{START}[truth]\nstart_utc = 2026-05-02T05:28:10\n", 3, "no offset", "+02:00"),
    ("stroke", f'{START}[truth]\nstrokes = "freestile"\n', 3, '"freestile" is', "'freestyle'"),
    (
        "stroke in a list",
        f'{START}[truth]\nlengths = 2\nstrokes = [\n  "drill",\n  "butterfy",\n]\n',
        6,
        'strokes[1] = "butterfy" is unknown',
        "'butterfly'",
    ),
    ("stroke number", f"{START}[truth]\nstrokes = [1]\n", 3, "strokes[0] = 1 is", "words are"),
    ("no strokes", f"{START}[truth]\nstrokes = []\n", 3, "strokes = [] is no list", "one word"),
    (
        "strokes and lengths",
        f'{START}[truth]\nlengths = 3\nstrokes = ["drill", "medley"]\n',
        4,
        "names 2 lengths, truth.lengths says 3",
        "one word per length",
    ),
    (
        "strokes without lengths",
        f'{START}[truth]\nstrokes = ["drill", "medley"]\n',
        3,
        "truth.lengths is missing",
        "lengths = 2",
    ),
    (
        "swum distance",
        f"{START}[truth]\nlengths = 40\npool_length_m = 25\ndistance_m = 1025\n",
        5,
        "40 lengths of 25 m are 1000 m",
        "correct one",
    ),
    ("segment table", f"{START}segment = 3\n", 2, "segment = 3 is no list", "[[segment]]"),
    ("one bracket", f'{START}[segment]\nname = "a"\n', 2, "is no list of parts", "[[segment]]"),
    ("no name", f'{START}[[segment]]\nfrom = "00:00"\nto = "01:00"\n', 2, "'name'", "needs name"),
    ("no end", f'{START}\n[[segment]]\nname = "a"\nfrom = "00:00"\n', 3, "'to'", "needs name"),
    ("backwards", segment('"22:10"', '"00:00"'), 5, "ends", "later than 'from'"),
    ("no time between", segment('"01:00"', '"01:00"'), 5, "before it begins", "later"),
    (
        "ends before the start",
        segment('"00:00"', "2026-05-02T05:00:00Z"),
        5,
        "before it begins",
        "later",
    ),
    ("bad clock", segment('"1h"', '"02:00"'), 4, 'segment 1: from = "1h" is no time', "mm:ss"),
    ("seconds of 60", segment('"00:60"', '"02:00"'), 4, '"00:60" is no time', "mm:ss"),
    ("number clock", segment("90", '"02:00"'), 4, "from = 90 is no time", "in quotes"),
    ("naive part", segment("2026-05-02T08:00:00", '"02:00"'), 4, "no offset", "+02:00"),
    ("local clock", segment("07:30:00", '"02:00"'), 4, "07:30:00 is no time", "mm:ss"),
    (
        "part key",
        segment('"00:00"', '"01:00"', "length = 3\n"),
        6,
        "segment 1: length",
        "keys here",
    ),
    ("part length", segment('"00:00"', '"01:00"', "distance_m = -3\n"), 6, "too small", "above 0"),
    (
        "name twice",
        segment('"00:00"', '"01:00"') + '[[segment]]\nname = "out"\nfrom = "02:00"\nto = "03:00"\n',
        7,
        '"out" stands twice',
        "a name of its own",
    ),
    (
        "taken name",
        segment('"00:00"', '"01:00"').replace('"out"', '"rising"'),
        3,
        '"rising" has a meaning of its own',
        "another name",
    ),
    ("setup table", f'{START}setup = "left"\n', 2, 'setup = "left" is no table', "[setup]"),
    ("no device", f'{START}[setup]\nwrist = "left"\n', 3, "is no table", "[setup.wrist]"),
    (
        "unknown device",
        f'{START}[setup.alder-2]\na = 1\n[setup.alder-3]\nwrist = "left"\n',
        4,
        "unknown device 'alder-3'",
        "'alder-2'",
    ),
    ("battery", f"{START}[setup.alder-2]\nbattery_end_pct = 181\n", 3, "out of range", "100"),
    ("list", f"{START}[setup.alder-2]\nwrist = [1, 2]\n", 3, "[1, 2] is no single", "write a text"),
    ("nan setup", f"{START}[setup.alder-2]\nangle = nan\n", 3, "nan is no single value", "number"),
]


@pytest.mark.parametrize(
    ("text", "line", "found", "remedy"), [case[1:] for case in BAD], ids=[case[0] for case in BAD]
)
def test_bad_notes_are_refused_with_file_line_value_and_remedy(
    text: str, line: int, found: str, remedy: str
) -> None:
    with pytest.raises(NotesError) as caught:
        read_notes(text, name=NAME, known_devices=frozenset({"alder-2", "oak-1"}))
    error = caught.value
    assert (error.file, error.line) == (NAME, line)
    assert found in error.found
    assert error.remedy
    assert remedy in error.remedy
    assert str(error).startswith(f"{NAME}, line {line}: ")
    assert "\n" not in str(error)


def test_the_cases_of_bad_notes_are_many_and_their_names_differ() -> None:
    assert len(BAD) >= 30
    assert len({case[0] for case in BAD}) == len(BAD)


def test_lines_are_right_with_windows_line_ends() -> None:
    text = f'{START}[truth]\nstrokes = [\n"drill",\n"butterfy"]\n'.replace("\n", "\r\n")
    with pytest.raises(NotesError) as caught:
        read_notes(text, name=NAME)
    assert caught.value.line == 5


def test_an_error_keeps_its_facts_between_processes() -> None:
    with pytest.raises(NotesError) as caught:
        read_notes("start = 5", name=NAME)
    again = pickle.loads(pickle.dumps(caught.value))  # noqa: S301 - our own bytes
    assert (again.file, again.line, str(again)) == (NAME, 1, str(caught.value))


def find_fault(text: str) -> NotesError | None:
    try:
        read_notes(text, name=NAME)
    except NotesError as error:
        return error
    return None


def is_told_in_one_line(fault: NotesError) -> bool:
    return "\n" not in str(fault) and fault.line is not None and fault.line >= 1


@given(st.text(max_size=80))
def test_any_text_is_read_or_refused_in_one_line(text: str) -> None:
    fault = find_fault(START + text)
    assert fault is None or is_told_in_one_line(fault)


@given(
    st.recursive(
        st.one_of(st.integers(), st.floats(), st.booleans(), st.text(max_size=5)),
        lambda inner: st.lists(inner, max_size=2),
        max_leaves=3,
    ),
    st.sampled_from(["activity", "place", "course", "truth", "segment", "setup", "truth.lengths"]),
)
def test_any_value_under_any_key_is_read_or_refused(value: object, key: str) -> None:
    written = tomlkit.item(value).as_string()
    fault = find_fault(f"{START}{key} = {written}\n")
    assert fault is None or is_told_in_one_line(fault)
