"""Reads the text of a table by the layout that fits and uses most of its columns."""

from __future__ import annotations

import contextlib
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from config.layouts import LayoutBook, LayoutFileError, load_layouts, read_layout
from tasks.core.errors import DamagedError, ExportRefusedError, NoClockError, UnknownLayoutError
from tasks.core.recording import Remark
from tasks.readers.csv.clocks import find_clock_column, is_relative
from tasks.readers.csv.fitting import VOCABULARY, Fit, find_fits, keep_fullest
from tasks.readers.csv.proposal import find_header, propose_layout
from tasks.readers.csv.reading import Reading, has_time_in_head, read_fit
from tasks.readers.csv.sheet import decode_text
from tasks.readers.csv.times import find_start

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from tasks.core.recording import ExportFile, Recording
    from tasks.core.registers import ReadOptions
    from tasks.core.zones import Zone

ENCODINGS: Final = ("utf-8", "cp1252")


def read_table(raw: bytes, export: ExportFile, options: ReadOptions) -> tuple[Recording, ...]:
    """Read `raw`, the text of a table that came in `export`; one recording.

    Raises: UnknownLayoutError, NoClockError, NothingRecordedError, DamagedError.
    """
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


def fits_table(raw: bytes, layouts: Sequence[Path]) -> bool:
    """Say whether one of the layout files fits the table `raw`; faulty ones fit none."""
    read = []
    for one in layouts:
        with contextlib.suppress(LayoutFileError):
            read.append(read_layout(one, vocabulary=VOCABULARY))
    return bool(find_fits(raw, read))


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
    text = decode_text(raw, ENCODINGS)
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
