"""CSV layouts: what a file may say, the line of every fault, and which folder wins."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest

from config.layouts import LayoutFileError, Vocabulary, load_layouts, parse_layout

if TYPE_CHECKING:
    from pathlib import Path

VOCABULARY = Vocabulary(
    columns={"heart_rate_bpm": "bpm", "speed_mps": "m/s", "rr_s": "s"},
    units={"bpm": "bpm", "m/s": "m/s", "km/h": "m/s", "ms": "s", "s": "s"},
)
GOOD = """\
name = "meadow"
about = "Invented"
delimiters = [";"]
[time]
form = "stamp"
column = ["moment"]
[[column]]
theirs = ["beat", "pulse"]
ours = "heart_rate_bpm"
unit = "bpm"
"""


def test_a_layout_is_read_with_its_defaults() -> None:
    layout = parse_layout(GOOD, file="meadow.toml", vocabulary=VOCABULARY)
    assert (layout.name, layout.delimiters, layout.decimal) == ("meadow", (";",), ".")
    assert layout.column[0].theirs == ("beat", "pulse")
    assert (layout.column[0].required, layout.header, layout.skip_lines) == (False, True, None)
    assert layout.time.zone == ""


#: What is wrong, what is replaced by what, line, a part of the message.
BAD = [
    ("no toml", '"meadow"', "meadow", 1, "this is no TOML"),
    ("name", '"meadow"', '"My Layout"', 1, "name = 'My Layout'"),
    ("about", 'about = "Invented"\n', "", 1, "'about' is missing"),
    ("key", "delimiters", "delimiter", 3, "unknown key 'delimiter'"),
    ("delimiter", '";"', '";;"', 3, "a delimiter is one sign"),
    ("no delimiter", '[";"]', "[]", 3, "delimiters"),
    ("form", '"stamp"', '"julian"', 5, "time.form = 'julian'"),
    ("no column", 'column = ["moment"]\n', "", 4, "needs 'column'"),
    ("zone", '["moment"]', '["moment"]\nzone = "Mars/Here"', 4, "no zone 'Mars/Here'"),
    ("formats", '"stamp"', '"epoch_s"\nformats = ["%Y"]', 4, "mean nothing for 'epoch_s'"),
    ("beats", '"stamp"', '"beats"', 4, "has no time column"),
    ("ours", '"heart_rate_bpm"', '"heart_rate"', 9, "ours = 'heart_rate' is no column"),
    ("unit", '"bpm"\n', '"km/h"\n', 10, "is no unit of heart_rate_bpm; units are bpm"),
    ("theirs", '["beat", "pulse"]', "[]", 8, "column.0.theirs"),
    ("column key", "unit =", "units =", 7, "'column.0.unit' is missing"),
]


@pytest.mark.parametrize(
    ("old", "new", "line", "message"), [case[1:] for case in BAD], ids=[case[0] for case in BAD]
)
def test_a_fault_in_a_layout_is_refused_with_file_and_line(
    old: str, new: str, line: int, message: str
) -> None:
    assert old in GOOD
    with pytest.raises(LayoutFileError, match=re.escape(message)) as caught:
        parse_layout(GOOD.replace(old, new, 1), file="meadow.toml", vocabulary=VOCABULARY)
    assert (caught.value.file, caught.value.line) == ("meadow.toml", line)


@pytest.mark.parametrize(
    ("addition", "message"),
    [
        ('decimal = ";"\n', "decimal = ';'"),
        ('encodings = ["latin-9000"]\n', "there is no encoding 'latin-9000'"),
        ("skip_lines = -1\n", "skip_lines = -1"),
        ("header = false\n", "without a header every column needs 'plausible'"),
        ('decimal = ","\n', "both delimiter and decimal sign"),
    ],
)
def test_parts_that_contradict_each_other_are_refused(addition: str, message: str) -> None:
    text = GOOD.replace('[";"]', '[","]', 1).replace("[time]", f"{addition}[time]", 1)
    with pytest.raises(LayoutFileError, match=re.escape(message)):
        parse_layout(text, file="meadow.toml", vocabulary=VOCABULARY)


def test_plausible_is_a_range() -> None:
    text = GOOD + "plausible = [9.0, 1.0]\n"
    with pytest.raises(LayoutFileError, match="a lower and an upper value"):
        parse_layout(text, file="meadow.toml", vocabulary=VOCABULARY)


def test_a_later_folder_replaces_a_layout_of_the_same_name(tmp_path: Path) -> None:
    for folder, about in (("a", "First"), ("b", "Second")):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / f"{folder}.toml").write_text(GOOD.replace("Invented", about))
    folders = (tmp_path / "a", tmp_path / "b", tmp_path / "none")
    (about,) = [
        layout.about
        for layout in load_layouts(folders, vocabulary=VOCABULARY).layouts
        if layout.name == "meadow"
    ]
    assert about == "Second"


def test_a_file_that_cannot_be_used_is_told_and_the_others_stay(tmp_path: Path) -> None:
    (tmp_path / "bad.toml").write_bytes(b"name = \xff")
    (tmp_path / "good.toml").write_text(GOOD)
    (tmp_path / "worse.toml").write_text("name = ")
    book = load_layouts((tmp_path,), vocabulary=VOCABULARY)
    assert "meadow" in {layout.name for layout in book.layouts}
    # The shipped layouts name columns that this small vocabulary does not have.
    own = [fault for fault in book.faults if fault.file in {"bad.toml", "worse.toml"}]
    assert [(fault.file, fault.line) for fault in own] == [("bad.toml", None), ("worse.toml", 1)]
