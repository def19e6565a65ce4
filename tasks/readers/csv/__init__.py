"""Reads CSV exports by the layouts that describe their columns."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Final

from config.layouts import LayoutBook, load_layouts
from tasks.core.errors import DamagedError, ExportRefusedError, NoClockError, UnknownLayoutError
from tasks.core.recording import Remark
from tasks.core.registers import reader
from tasks.readers.csv.cells import is_number
from tasks.readers.csv.fitting import VOCABULARY, Fit, find_fits
from tasks.readers.csv.proposal import find_header, propose_layout
from tasks.readers.csv.reading import Reading, has_time_in_head, read_fit
from tasks.readers.csv.sheet import Record, decode_text, is_cut, read_head

if TYPE_CHECKING:
    from pathlib import Path

    from tasks.core.recording import ExportFile, Recording
    from tasks.core.registers import ReadOptions

_ENCODINGS: Final = ("utf-8", "cp1252")
_DELIMITERS: Final = (",", ";", "\t", "|")
#: Share of the first rows that must have the same number of cells.
_EVEN_SHARE: Final = 0.5
#: Signs that no text holds.
_CONTROL: Final = frozenset(chr(code) for code in range(32)) - frozenset("\t\n\r\f")


def sniff_csv(head: bytes) -> bool:
    """Say whether `head` is text in rows of equal width, or one number per line."""
    text = decode_text(head[: len(head) // 2 * 2], (*_ENCODINGS, "latin-1"))
    if text is None or not text.strip() or not _CONTROL.isdisjoint(text) or "\ufffd" in text:
        return False
    if text.lstrip("\ufeff \t\n").startswith(("<", "{", "[")):
        return False
    return any(_is_table(read_head(text, delimiter)) for delimiter in _DELIMITERS)


def is_complete_csv(path: Path) -> bool:
    """Say whether the file at `path` holds something and does not stop inside its last row.

    A cut inside the very last cell cannot be seen.
    """
    text = decode_text(path.read_bytes(), _ENCODINGS)
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

    Raises: UnknownLayoutError when none fits, or two that read different numbers;
    NoClockError, NothingRecordedError, DamagedError.
    """
    raw = export.path.read_bytes()
    book = load_layouts(options.layout_folders, vocabulary=VOCABULARY)
    fits = find_fits(raw, book.layouts)
    if not fits:
        raise _describe_unknown(raw, export, book=book)
    if len(fits) > 1:
        fits = (
            tuple(fit for fit in fits if has_time_in_head(fit, export, zone=options.zone)) or fits
        )
    readings: list[Reading] = []
    refusals: list[ExportRefusedError] = []
    for fit in fits:
        try:
            readings.append(read_fit(fit, export, zone=options.zone))
        except ExportRefusedError as error:
            refusals.append(error)
    if not readings:
        raise _choose_refusal(refusals, fits, export=export)
    reading = _choose_reading(readings, export)
    faults = [Remark(f"the layout file {fault} (it is not used)") for fault in book.faults]
    return (reading.recording.with_remarks(*faults),)


def _choose_reading(readings: list[Reading], export: ExportFile) -> Reading:
    """Return the reading with the fewest gaps; equally good ones must agree."""
    fewest = min(reading.n_unreadable for reading in readings)
    best = [reading for reading in readings if reading.n_unreadable == fewest]
    for one, other in pairwise(best):
        same = one.recording.samples.equals(other.recording.samples) and (
            one.recording.beats.equals(other.recording.beats)
        )
        if not same:
            names = f"{one.fit.layout.name} and {other.fit.layout.name}"
            raise UnknownLayoutError(
                export.name,
                found=f"two layouts read it differently: {names}",
                remedy="mark a column as required that only one of them has, or remove one",
            )
    return min(best, key=lambda reading: reading.fit.layout.decimal != ".")


def _choose_refusal(
    refusals: list[ExportRefusedError], fits: tuple[Fit, ...], *, export: ExportFile
) -> ExportRefusedError:
    """Return the refusal that says most: a missing zone first, then a single cause."""
    for refusal in refusals:
        if isinstance(refusal, NoClockError):
            return refusal
    if len(refusals) == 1 or not all(isinstance(error, DamagedError) for error in refusals):
        return next((e for e in refusals if not isinstance(e, DamagedError)), refusals[0])
    names = sorted({fit.layout.name for fit in fits})
    first = refusals[0]
    if len(names) == 1 or first.found in {error.found for error in refusals[1:]}:
        return first
    return DamagedError(
        export.name,
        found=f"{first.found} (tried: {', '.join(names)})",
        remedy=first.remedy,
    )


def _describe_unknown(raw: bytes, export: ExportFile, *, book: LayoutBook) -> ExportRefusedError:
    text = decode_text(raw, _ENCODINGS)
    if text is None:
        return DamagedError(
            export.name,
            found="the bytes are text in no encoding that is known",
            remedy="save the file as UTF-8",
        )
    header, delimiter = find_header(text)
    seen = delimiter.join(header.cells) if header is not None else text.strip().split("\n")[0]
    line = 1 if header is None else header.first_line
    broken = "".join(f"; the layout file {fault}" for fault in book.faults)
    return UnknownLayoutError(
        export.name,
        found=f"no layout describes the columns in line {line}: {seen[:300]!r}{broken}",
        remedy="finish the proposed layout and put it under columns/ in the home folder",
        proposal=propose_layout(text, name=export.name),
    )


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
