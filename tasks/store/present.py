"""Showing the answer to a query: as a table for the eye, CSV, JSON or Parquet."""

from __future__ import annotations

import csv
import io
import json
import math
import os
import textwrap
import uuid
from datetime import date, time
from decimal import Decimal
from typing import TYPE_CHECKING, Any, BinaryIO, Final, Literal, get_args

from tasks.core.errors import CowornError
from tasks.core.spreadsheets import escape_formula

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import pyarrow as pa

Form = Literal["table", "rows", "csv", "json", "parquet"]

#: Nothing is cut when nobody said how wide the window is.
_WIDE: Final = 10_000
#: Cells are folded to this width, but not below [characters].
_LEAST_CELL: Final = 12


class PresentError(CowornError):
    """An answer that cannot be shown or written that way."""


def format_rows(rows: pa.Table, form: Form, *, width: int | None = None) -> str:
    """Return `rows` as text; `width` is that of the window for a table [characters].

    Raises PresentError for Parquet, which is no text, and for an unknown form.
    """
    formatters: dict[str, Callable[[], str]] = {
        "table": lambda: _format_table(rows, width or _WIDE),
        "rows": lambda: _format_rows(rows, width or _WIDE),
        "csv": lambda: _format_csv(rows),
        "json": lambda: _format_json(rows),
    }
    if form not in get_args(Form):
        raise PresentError(f"format {form!r} is unknown; choose one of {', '.join(get_args(Form))}")
    if form not in formatters:
        raise PresentError(f"{form} is no text; say with --out where to write it")
    return formatters[form]()


def write_rows(rows: pa.Table, path: Path, *, form: Form) -> None:
    """Write `rows` to `path`, which appears only when it is whole.

    A link is followed, and a pipe or a device is written to; neither is replaced.
    Raises PresentError when it cannot be written.
    """
    place = path.resolve()
    building = place.with_name(f".{uuid.uuid4().hex}.building")
    try:
        if place.exists() and not place.is_file() and not place.is_dir():
            with place.open("wb") as target:
                _write_bytes(rows, target, form=form)
            return
        with building.open("wb") as target:
            _write_bytes(rows, target, form=form)
        building.replace(place)
    except OSError as error:
        raise PresentError(
            f"{path}: {os.strerror(error.errno or 0)}; choose another --out"
        ) from error
    finally:
        building.unlink(missing_ok=True)


def _write_bytes(rows: pa.Table, target: BinaryIO, *, form: Form) -> None:
    if form == "parquet":
        from pyarrow import parquet  # noqa: PLC0415 - slow to import

        parquet.write_table(rows, target, compression="zstd")
    else:
        target.write(format_rows(rows, form).encode())


# --- table ------------------------------------------------------------------------------------
def _format_table(rows: pa.Table, width: int) -> str:
    from rich import box  # noqa: PLC0415 - slow to import
    from rich.console import Console  # noqa: PLC0415
    from rich.table import Table  # noqa: PLC0415
    from rich.text import Text  # noqa: PLC0415

    shown = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    columns = [column.to_pylist() for column in rows.columns]
    if _find_least_width(rows.column_names, columns) > width:
        return _format_lists(rows.column_names, columns, width=width)
    for name, values in zip(rows.column_names, columns, strict=True):
        numeric = any(_is_number(value) for value in values)
        shown.add_column(Text(_make_printable(name)), justify="right" if numeric else "left")
    for row in zip(*columns, strict=True):
        shown.add_row(*(Text(_show_cell(value)) for value in row))
    out = io.StringIO()
    console = Console(file=out, width=width, color_system=None, legacy_windows=False)
    if rows.num_columns:
        console.print(shown)
    plain = "\n".join(line.rstrip() for line in out.getvalue().splitlines()).strip("\n")
    count = f"{rows.num_rows} row{'' if rows.num_rows == 1 else 's'}"
    return f"{plain}\n{count}\n" if plain else f"{count}\n"


def _find_least_width(names: list[str], columns: list[list[Any]]) -> int:
    """Return the width that a table needs so that no cell is folded into shreds [characters]."""
    cells = [
        min(max(len(_show_cell(value)) for value in (name, *values)), _LEAST_CELL)
        for name, values in zip(names, columns, strict=True)
    ]
    return sum(cells) + 3 * (len(cells) - 1)


def _format_lists(names: list[str], columns: list[list[Any]], *, width: int) -> str:
    """Return each row as a list of its values, one to a line; what is missing is left out."""
    lines = _list_values(names, columns, width=width)
    count = len(columns[0])
    lines += textwrap.wrap(
        f"{count} row{'' if count == 1 else 's'}, each as a list: a table of {len(names)} columns "
        "does not fit here. Missing values are left out.",
        width=width,
    )
    return "\n".join(lines) + "\n"


def _format_rows(rows: pa.Table, width: int) -> str:
    columns = [column.to_pylist() for column in rows.columns]
    lines = _list_values(rows.column_names, columns, width=width) if columns else []
    count = f"{rows.num_rows} row{'' if rows.num_rows == 1 else 's'}"
    return "\n".join([*lines, count]) + "\n"


def _list_values(names: list[str], columns: list[list[Any]], *, width: int) -> list[str]:
    left = max(len(_make_printable(name)) for name in names)
    lines: list[str] = []
    for number, row in enumerate(zip(*columns, strict=True), start=1):
        lines.append(f"row {number}")
        for name, value in zip(names, row, strict=True):
            if value is not None:
                lines += textwrap.wrap(
                    f"  {_make_printable(name):<{left}}  {_show_cell(value)}",
                    width=max(width, left + 2 * _LEAST_CELL),
                    subsequent_indent=" " * (left + 4),
                )
        lines.append("")
    return lines


def _show_cell(value: Any) -> str:  # noqa: ANN401 - whatever SQL can give
    if value is None:
        return "-"
    if isinstance(value, float):
        return f"{value:.6g}"
    return _make_printable(_write_value(value))


def _make_printable(text: str) -> str:
    """Spell out what would steer the terminal."""
    return "".join(
        letter if letter.isprintable() else letter.encode("unicode_escape").decode()
        for letter in text
    )


# --- csv --------------------------------------------------------------------------------------
def _format_csv(rows: pa.Table) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([escape_formula(name) for name in rows.column_names])
    columns = [column.to_pylist() for column in rows.columns]
    writer.writerows(
        [_write_csv_cell(value) for value in row] for row in zip(*columns, strict=True)
    )
    return out.getvalue()


def _write_csv_cell(value: Any) -> str:  # noqa: ANN401 - whatever SQL can give
    text = _write_value(value)
    return text if _is_number(value) else escape_formula(text)


# --- json -------------------------------------------------------------------------------------
def _format_json(rows: pa.Table) -> str:
    lines = [json.dumps(_plain(row), ensure_ascii=False) for row in rows.to_pylist()]
    return "[\n" + ",\n".join(lines) + "\n]\n" if lines else "[]\n"


def _plain(value: Any) -> Any:  # noqa: ANN401 - whatever SQL can give
    """Return `value` as JSON knows it; what is no finite number is null there."""
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, (bool, int, str)):
        return value
    if isinstance(value, Decimal):
        return float(value)
    return _write_value(value)


# --- values -----------------------------------------------------------------------------------
def _is_number(value: Any) -> bool:  # noqa: ANN401 - whatever SQL can give
    return isinstance(value, (int, float, Decimal)) and not isinstance(value, bool)


def _write_value(value: Any) -> str:  # noqa: ANN401 - whatever SQL can give
    """Write `value` in full: instants in ISO 8601 with Z for UTC, nothing for a missing one."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (date, time)):  # an instant is a date, too
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, (dict, list)):
        return json.dumps(_plain(value), ensure_ascii=False)
    return str(value)
