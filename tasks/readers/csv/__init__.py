"""Reads CSV exports by the layouts that describe their columns."""

from __future__ import annotations

import contextlib
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from config.layouts import LayoutBook, LayoutFileError, load_layouts, read_layout
from tasks.core.errors import DamagedError, ExportRefusedError, NoClockError, UnknownLayoutError
from tasks.core.recording import Remark
from tasks.core.registers import reader
from tasks.readers.csv.cells import is_number
from tasks.readers.csv.clocks import find_clock_column, is_relative
from tasks.readers.csv.fitting import VOCABULARY, Fit, find_fits, keep_fullest
from tasks.readers.csv.proposal import find_header, propose_layout
from tasks.readers.csv.reading import Reading, has_time_in_head, read_fit
from tasks.readers.csv.sheet import Record, decode_text, is_cut, read_head
from tasks.readers.csv.times import find_start

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from tasks.core.recording import ExportFile, Recording
    from tasks.core.registers import ReadOptions
    from tasks.core.zones import Zone

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
    raw = export.path.read_bytes()
    book = load_layouts(options.layout_folders, vocabulary=VOCABULARY)
    fits = find_fits(raw, book.layouts)
    if not fits:
        raise _describe_unknown(raw, export, book=book)
    fits = tuple(fit for fit in fits if has_time_in_head(fit, export, zone=options.zone)) or fits
    fits = keep_fullest(_leave_out_relative(fits, export, book=book, zone=options.zone))
    readings: list[Reading] = []
    refusals: list[ExportRefusedError] = []
    for fit in fits:
        try:
            readings.append(read_fit(fit, export, zone=options.zone))
        except ExportRefusedError as error:
            refusals.append(error)
    if not readings:
        raise _choose_refusal(refusals, fits, export=export)
    reading = _choose_reading(readings, export, own=book.own)
    recording = reading.recording
    layout = reading.fit.layout
    if layout.name in book.own:
        name = f"{recording.header.reader}, layout {layout.name} {layout.mark}"
        recording = replace(recording, header=replace(recording.header, reader=name))
    faults = [Remark(f"the layout file {fault} (it is not used)") for fault in book.faults]
    return (recording.with_remarks(*faults),)


def fits_one_of(path: Path, layouts: Sequence[Path]) -> bool:
    """Say whether one of the layout files fits the CSV at `path`; faulty ones fit none."""
    read = []
    for one in layouts:
        with contextlib.suppress(LayoutFileError):
            read.append(read_layout(one, vocabulary=VOCABULARY))
    return bool(find_fits(path.read_bytes(), read))


def _leave_out_relative(
    fits: tuple[Fit, ...], export: ExportFile, *, book: LayoutBook, zone: Zone | None
) -> tuple[Fit, ...]:
    """Leave out layouts that count from an unknown start where the file shows its time.

    Raises: UnknownLayoutError when no other is left, and the file's name does not place it.
    """
    clocks = {
        id(fit): find_clock_column(fit)
        for fit in fits
        if is_relative(fit) and fit.layout.name not in book.own
    }
    kept = tuple(fit for fit in fits if clocks.get(id(fit)) is None)
    if kept or find_start(export.name, zone).basis != "elapsed":
        return kept or fits
    fit = max(fits, key=lambda fit: fit.n_used)
    title, cell = clocks[id(fit)] or ("", "")
    raise UnknownLayoutError(
        export.name,
        found=f"the column {title!r} shows dates or times of day ({cell!r}) that no layout reads; "
        f"without them its rows only count from an unknown start (layout {fit.layout.name})",
        remedy="finish the proposed layout and put it under columns/ in the home folder",
        proposal=propose_layout(fit.text, name=export.name),
    )


def _choose_reading(readings: list[Reading], export: ExportFile, *, own: frozenset[str]) -> Reading:
    """Return the reading with the fewest gaps; equally good ones must agree.

    What a person wrote goes before what is shipped.
    """
    fewest = min(reading.n_unreadable for reading in readings)
    best = [reading for reading in readings if reading.n_unreadable == fewest]
    best = [reading for reading in best if reading.fit.layout.name in own] or best
    for one, other in pairwise(best):
        same = one.recording.samples.equals(other.recording.samples) and (
            one.recording.beats.equals(other.recording.beats)
        )
        if not same:
            names = f"{one.fit.layout.name} and {other.fit.layout.name}"
            raise UnknownLayoutError(
                export.name,
                found=f"two layouts read it differently: {names}",
                remedy="put one of them, or the proposed layout, under columns/ in the home "
                "folder: it goes before those that are shipped; remove one of your own",
                proposal=propose_layout(one.fit.text, name=export.name),
            )
    return min(best, key=lambda reading: reading.fit.layout.decimal != ".")


def _choose_refusal(
    refusals: list[ExportRefusedError], fits: tuple[Fit, ...], *, export: ExportFile
) -> ExportRefusedError:
    """Return the refusal that says most: a missing zone first, then a single cause."""
    unplaced = [refusal for refusal in refusals if isinstance(refusal, NoClockError)]
    if len({refusal.local_span for refusal in unplaced}) > 1:
        orders = " and ".join(sorted({fit.layout.name for fit in fits}))
        return UnknownLayoutError(
            export.name,
            found=f"its dates can be read in several ways ({orders}), and they have no zone",
            remedy="put the proposed layout, with the right format and the zone, under columns/ "
            "in the home folder",
            proposal=propose_layout(fits[0].text, name=export.name),
        )
    if unplaced:
        return unplaced[0]
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
