"""Answers as a table, CSV, JSON and Parquet: nothing is altered, nothing becomes a formula."""

from __future__ import annotations

import csv
import io
import json
import math
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tasks.store import PresentError, format_rows, write_rows

if TYPE_CHECKING:
    from pathlib import Path

ROWS = pa.table(
    {
        "device": ["alder", "=cmd()|x", None],
        "value": [-1.5, math.nan, None],
        "n": [-3, 0, None],
        "at": pa.array([datetime(2026, 5, 2, 12, 0, 0, 1, tzinfo=UTC), None, None]),
        "sure": [True, False, None],
        "parts": [[1, 2], [], None],
    }
)


def test_csv_gives_every_value_in_full() -> None:
    text = format_rows(ROWS, "csv")
    assert text.split("\r\n") == [
        "device,value,n,at,sure,parts",
        'alder,-1.5,-3,2026-05-02T12:00:00.000001Z,true,"[1, 2]"',
        "'=cmd()|x,nan,0,,false,[]",
        ",,,,,",
        "",
    ]


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff20"])
def test_text_that_a_spreadsheet_would_run_is_escaped_everywhere(start: str) -> None:
    rows = pa.table({f"{start}1+1": [f"{start}1+1"]})
    header, cells = list(csv.reader(io.StringIO(format_rows(rows, "csv"), newline="")))
    assert header == cells == [f"'{start}1+1"]


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1))
def test_csv_keeps_numbers_to_the_last_bit(values: list[float]) -> None:
    text = format_rows(pa.table({"value": values}), "csv")
    assert [float(line) for line in text.split()[1:]] == values


@given(st.lists(st.text(st.characters(exclude_categories=["Cs"]))))
def test_no_text_begins_a_cell_with_a_formula(texts: list[str]) -> None:
    text = format_rows(pa.table({"text": pa.array(texts, pa.string())}), "csv")
    cells = [row[0] if row else "" for row in csv.reader(io.StringIO(text, newline=""))][1:]
    assert not any(cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n")) for cell in cells)
    assert [cell.removeprefix("'") for cell in cells] == [word.removeprefix("'") for word in texts]


def test_json_is_strict_and_keeps_text_as_it_is() -> None:
    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is no JSON")

    first, second, third = json.loads(format_rows(ROWS, "json"), parse_constant=refuse)
    assert first == {
        "device": "alder",
        "value": -1.5,
        "n": -3,
        "at": "2026-05-02T12:00:00.000001Z",
        "sure": True,
        "parts": [1, 2],
    }
    assert (second["device"], second["value"]) == ("=cmd()|x", None)
    assert set(third.values()) == {None}


def test_no_rows_are_an_empty_list_a_header_or_a_count() -> None:
    empty = ROWS.slice(0, 0)
    assert json.loads(format_rows(empty, "json")) == []
    assert format_rows(empty, "csv").startswith("device,value")
    assert format_rows(empty, "table").endswith("0 rows\n")
    assert format_rows(pa.table({}), "table") == "0 rows\n"


def test_the_table_shows_missing_values_and_counts_rows() -> None:
    lines = format_rows(ROWS, "table").splitlines()
    assert lines[0].split() == ["device", "value", "n", "at", "sure", "parts"]
    assert lines[-2].split() == ["-"] * 6
    assert lines[-1] == "3 rows"


def test_the_table_obeys_its_width() -> None:
    assert max(len(line) for line in format_rows(ROWS, "table", width=40).splitlines()) <= 40


def test_a_table_too_wide_for_the_window_becomes_lists() -> None:
    names = [f"column_number_{number}" for number in range(30)]
    rows = pa.table({name: ["a value of some length", None] for name in names})
    text = format_rows(rows, "table", width=80)
    lines = text.splitlines()
    assert max(len(line) for line in lines) <= 80
    assert lines[0] == "row 1"
    assert lines[1].split("  ")[1:] == ["column_number_0", " a value of some length"]
    # Of the second row nothing is known.
    assert sum(line.startswith("  column") for line in lines) == 30
    assert "2 rows, each as a list" in text


def test_what_would_steer_the_terminal_or_look_like_markup_is_shown_as_text() -> None:
    rows = pa.table({"name": ["\x1b[31mred\x1b[0m", "[bold]x[/bold]", "a\u202eb", "two\nlines"]})
    shown = format_rows(rows, "table")
    assert "\x1b" not in shown
    assert "\u202e" not in shown
    assert "[bold]x[/bold]" in shown
    assert r"two\nlines" in shown


def test_parquet_comes_back_equal(tmp_path: Path) -> None:
    path = tmp_path / "out.parquet"
    write_rows(ROWS, path, form="parquet")
    found = pq.read_table(path)
    # A missing number and "not a number" are two things in Parquet, and NaN never equals itself.
    assert repr(found.to_pydict()) == repr(ROWS.to_pydict())
    assert found.schema.field("at").type == ROWS.schema.field("at").type
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("form", ["csv", "json", "table"])
def test_text_in_a_file_is_the_text_on_the_screen(tmp_path: Path, form: str) -> None:
    path = tmp_path / "out"
    write_rows(ROWS, path, form=form)  # type: ignore[arg-type]
    assert path.read_bytes().decode() == format_rows(ROWS, form)  # type: ignore[arg-type]


def test_a_file_that_cannot_be_written_names_the_place(tmp_path: Path) -> None:
    path = tmp_path / "missing" / "out.csv"
    with pytest.raises(PresentError, match=r"missing/out\.csv: No such file"):
        write_rows(ROWS, path, form="csv")


@pytest.mark.parametrize(("form", "said"), [("parquet", "--out"), ("xml", "choose one of")])
def test_what_is_no_text_is_refused(form: str, said: str) -> None:
    with pytest.raises(PresentError, match=said):
        format_rows(ROWS, form)  # type: ignore[arg-type]


def test_other_kinds_of_values_are_written_plainly() -> None:
    rows = pa.table(
        {
            "day": [date(2026, 5, 2)],
            "money": [Decimal("-1.50")],
            "raw": [b"\x00\xff"],
            "facts": [{"a": 1.0}],
        }
    )
    assert format_rows(rows, "csv").splitlines()[1] == '2026-05-02,-1.50,00ff,"{""a"": 1.0}"'
    assert json.loads(format_rows(rows, "json")) == [
        {"day": "2026-05-02", "money": -1.5, "raw": "00ff", "facts": {"a": 1.0}}
    ]
