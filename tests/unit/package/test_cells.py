"""Cells of tidy CSV, read back by the standard library and pandas."""

from __future__ import annotations

import csv
import gzip
import io
from typing import TYPE_CHECKING

import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tasks.core.errors import CowornError
from tasks.package.cells import open_for_text, spell_column, write_csv
from tasks.tables.arrow import INSTANT
from tasks.tables.column import Column
from tasks.tables.columns import COLUMNS

if TYPE_CHECKING:
    from pathlib import Path

VALUE = Column("value", "float", "A number")
TEXT = Column("note", "text", "A text")
COUNT = Column("n", "integer", "A count")
TIME = COLUMNS["time_utc"]
#: What a spreadsheet takes for the start of a formula (OWASP, "CSV Injection"), wide forms, too.
STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
#: 2026-05-02T06:00:00Z, by the calendar: 20,575 days and 6 hours after 1970-01-01.
MORNING_US = (20_575 * 24 + 6) * 3_600_000_000


def read_text(path: Path) -> str:
    return path.read_bytes().decode("utf-8")


def test_lines_end_in_crlf_and_only_cells_that_need_it_are_quoted(tmp_path: Path) -> None:
    rows = pa.table({"note": ['a "b", c', "two\nlines", "plain", None], "n": [1, 2, 3, None]})
    path = tmp_path / "rows.csv"
    assert write_csv(path, [rows], columns=(TEXT, COUNT), decimals={}) == 4
    # RFC 4180, section 2, rules 1 and 5 to 7.
    expected = 'note,n\r\n"a ""b"", c",1\r\n"two\nlines",2\r\nplain,3\r\n,\r\n'
    assert read_text(path) == expected


@pytest.mark.parametrize("start", STARTS)
def test_no_text_starts_a_formula(start: str) -> None:
    cells = spell_column(pa.array([f"{start}1+1", "fine"]), TEXT, 0)
    assert cells == [f"'{start}1+1", "fine"]


def test_a_negative_number_is_no_formula() -> None:
    assert spell_column(pa.array([-1.5, -0.25]), VALUE, 0) == ["-1.5", "-0.25"]


def test_what_is_missing_or_not_finite_is_an_empty_cell() -> None:
    values = pa.array([None, float("nan"), float("inf"), -float("inf")])
    assert spell_column(values, VALUE, 0) == [None] * 4


@pytest.mark.parametrize(
    ("decimals", "expected"),
    [
        (0, "2026-05-02T06:00:00Z"),
        (3, "2026-05-02T06:00:00.000Z"),
        (6, "2026-05-02T06:00:00.000000Z"),
    ],
)
def test_instants_are_utc_with_as_many_decimals_as_were_asked_for(
    decimals: int, expected: str
) -> None:
    instants = pa.array([MORNING_US, None], type=pa.int64()).cast(INSTANT)
    assert spell_column(instants, TIME, decimals) == [expected, None]


def test_an_instant_is_never_cut_short() -> None:
    instants = pa.array([MORNING_US, MORNING_US + 250_000]).cast(INSTANT)
    assert spell_column(instants, TIME, 3)[1] == "2026-05-02T06:00:00.250Z"
    with pytest.raises(CowornError, match="export again"):
        spell_column(instants, TIME, 0)


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False)))
def test_every_number_reads_back_as_itself(values: list[float]) -> None:
    cells = spell_column(pa.array(values, type=pa.float64()), VALUE, 0)
    assert [float(cell or "nan") for cell in cells] == values


@given(st.lists(st.text(st.characters(codec="utf-8", exclude_characters="\0"), min_size=1)))
def test_every_text_reads_back_as_itself_without_its_apostrophe(
    tmp_path_factory: pytest.TempPathFactory, texts: list[str]
) -> None:
    path = tmp_path_factory.mktemp("texts") / "rows.csv"
    rows = pa.table({"note": pa.array(texts, type=pa.string()), "n": range(len(texts))})
    write_csv(path, [rows], columns=(TEXT, COUNT), decimals={})
    found = list(csv.reader(io.StringIO(read_text(path), newline="")))[1:]
    assert [
        cell.removeprefix("'") if cell[1:].startswith(STARTS) else cell for cell, _ in found
    ] == [text.removeprefix("'") if text[1:].startswith(STARTS) else text for text in texts]


def test_the_same_rows_give_the_same_gzipped_bytes_under_any_name(tmp_path: Path) -> None:
    rows = pa.table({"value": [1.0, 2.5], "n": [1, 2]})
    paths = [tmp_path / "a.csv.gz", tmp_path / "other.csv.gz"]
    for path in paths:
        write_csv(path, [rows, rows], columns=(VALUE, COUNT), decimals={})
    first, second = (path.read_bytes() for path in paths)
    assert first == second
    # RFC 1952, section 2.3: byte 3 says that no name follows, bytes 4 to 7 are the time.
    assert first[3] == 0
    assert first[4:8] == bytes(4)
    assert gzip.decompress(first).count(b"\r\n") == 5
    assert pd.read_csv(paths[0])["value"].tolist() == [1.0, 2.5, 1.0, 2.5]


def test_no_rows_leave_the_header(tmp_path: Path) -> None:
    path = tmp_path / "rows.csv"
    assert write_csv(path, [], columns=(VALUE, COUNT), decimals={}) == 0
    assert read_text(path) == "value,n\r\n"


def test_a_file_that_is_there_is_never_written_over(tmp_path: Path) -> None:
    path = tmp_path / "rows.csv"
    path.write_text("mine")
    with pytest.raises(FileExistsError), open_for_text(path):
        pass
    assert path.read_text() == "mine"
