"""Reads CSV exports, and JSON as rows of a table, by the layouts that describe their columns."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from tasks.core.errors import ExportRefusedError
from tasks.core.registers import reader
from tasks.readers.csv.cells import is_number
from tasks.readers.csv.json_rows import flatten_json, sniff_json
from tasks.readers.csv.proposal import find_header
from tasks.readers.csv.sheet import Record, decode_text, is_cut, read_head
from tasks.readers.csv.table import ENCODINGS, fits_table, read_table

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from tasks.core.recording import ExportFile, Recording
    from tasks.core.registers import ReadOptions

_DELIMITERS: Final = (",", ";", "\t", "|")
#: Share of the first rows that must have the same number of cells.
_EVEN_SHARE: Final = 0.5
#: How text begins that is no table: markup, JSON, sentences of a receiver.
_OTHER: Final = re.compile(r"[<{[]|\$[A-Z]{5},")
#: Signs that no text holds.
_CONTROL: Final = frozenset(chr(code) for code in range(32)) - frozenset("\t\n\r\f")


def sniff_csv(head: bytes) -> bool:
    """Say whether `head` is text in rows of equal width, or one number per line."""
    text = decode_text(head[: len(head) // 2 * 2], (*ENCODINGS, "latin-1"))
    if text is None or not text.strip() or not _CONTROL.isdisjoint(text) or "\ufffd" in text:
        return False
    if _OTHER.match(text.lstrip("\ufeff \t\n")):
        return False
    return any(_is_table(read_head(text, delimiter)) for delimiter in _DELIMITERS)


def is_complete_csv(path: Path) -> bool:
    """Say whether the file at `path` holds something and does not stop inside its last row.

    A cut inside the very last cell cannot be seen.
    """
    text = decode_text(path.read_bytes(), ENCODINGS)
    if text is None:
        return True
    if not text.strip():
        return False
    header, delimiter = find_header(text)
    width = 1 if header is None else len(header.cells)
    return not is_cut(text, delimiter, width=width)


@reader(
    "csv",
    suffixes=(".csv", ".tsv", ".txt"),
    sniff=sniff_csv,
    is_complete=is_complete_csv,
    source="RFC 4180, with the delimiters, decimal signs and encodings that its layout allows",
)
def read_csv(export: ExportFile, options: ReadOptions) -> tuple[Recording, ...]:
    """Read one CSV by the layout that fits and uses most of its columns.

    Parameters
    ----------
    export
        The file, its name and its hash.
    options
        Layouts, and the zone of times that state none.

    Returns
    -------
    tuple[Recording, ...]
        One recording, columns in the units of the table `samples`; partial where a column was left
        out whose title seems to say what it holds.

    Raises
    ------
    UnknownLayoutError
        No layout fits, or two that read different numbers.
    NoClockError
        Nothing places its times, or they have no zone.
    NothingRecordedError
        It has no row.
    DamagedError
        More than half of its rows cannot be read, or they are of several devices.
    """
    return read_table(export.path.read_bytes(), export, options)


def fits_one_of(path: Path, layouts: Sequence[Path]) -> bool:
    """Say whether one of the layout files fits the CSV or JSON at `path`; faulty ones fit none."""
    raw = path.read_bytes()
    if sniff_json(raw[:4096]):
        try:
            raw = flatten_json(raw, name=path.name).encode()
        except ExportRefusedError:
            return False
    return fits_table(raw, layouts)


def _is_table(records: list[Record]) -> bool:
    """Say whether most rows have one width of at least two, or are single numbers."""
    if not records:
        return False
    if all(len(record.cells) == 1 for record in records):
        numbers = sum(is_number(record.cells[0]) for record in records)
        return numbers >= max(1.0, _EVEN_SHARE * (len(records) - 1))
    widths = [len(record.cells) for record in records]
    wide = [width for width in widths if width > 1]
    most = max(wide.count(width) for width in wide)
    return most > _EVEN_SHARE * len(records)
