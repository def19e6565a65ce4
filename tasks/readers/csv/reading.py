"""From a fitted layout to a Recording."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.errors import (
    DamagedError,
    ExportRefusedError,
    NothingRecordedError,
    UnknownLayoutError,
)
from tasks.core.recording import Header, Recording
from tasks.core.units import MICROSECONDS_PER_SECOND, convert_to_table_unit
from tasks.readers.csv.cells import Numbers, is_number, parse_numbers
from tasks.readers.csv.clocks import find_block_start, is_relative
from tasks.readers.csv.doubts import (
    Contradiction,
    are_two_sensors,
    find_contradictions,
    find_devices,
    find_other_rates,
)
from tasks.readers.csv.fitting import VOCABULARY
from tasks.readers.csv.proposal import propose_layout
from tasks.readers.csv.remarks import NAMED_AT_MOST, collect_remarks
from tasks.readers.csv.sheet import HEAD_LINES, is_cut, read_grid
from tasks.readers.csv.times import (
    Instants,
    parse_clock,
    place_by_block,
    place_elapsed,
    read_elapsed,
    read_instants,
)
from tasks.tables.arrow import make_empty, make_table
from tasks.tables.tables import BATTERY, BEATS, EVENTS, LAPS, LENGTHS, SAMPLES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tasks.core.recording import ExportFile
    from tasks.core.zones import Zone
    from tasks.readers.csv.clocks import BlockStart
    from tasks.readers.csv.fitting import Fit, Use
from tasks.readers.csv.sheet import Grid

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Reading:
    """What one layout makes of a file, and how many of its cells and rows it cannot read."""

    fit: Fit
    recording: Recording
    n_unreadable: int


def read_fit(fit: Fit, export: ExportFile, *, zone: Zone | None) -> Reading:
    """Read `export` as the layout of `fit` says.

    Raises: NoClockError, NothingRecordedError, and DamagedError when more than half of the rows
    cannot be read, with the line of the first one.
    """
    grid = read_grid(fit.text, fit.delimiter, header=fit.header, width=fit.width, name=export.name)
    if not len(grid.cells):
        raise NothingRecordedError(
            export.name,
            found="no row of data below the header",
            remedy="export an activity that was recorded",
        )
    numbers = {use.column.ours: _parse_column(fit, use, grid) for use in fit.uses}
    _check_plausible(fit, numbers, export)
    instants = _read_times(fit, grid, numbers, export=export, zone=zone)
    _check_devices(fit, grid, export)
    contradictions = _find_contradictions(fit, numbers, instants)
    fit = _leave_out(fit, contradictions, export)
    numbers = {use.column.ours: numbers[use.column.ours] for use in fit.uses}
    cut = is_cut(fit.text, fit.delimiter, width=fit.width)
    good = instants.known & ~grid.ragged & ~_find_unreadable_rows(numbers)
    if 2 * int((~good).sum()) > len(good):
        _refuse(fit, grid, numbers, instants=instants, good=good, export=export)
    keep = instants.known & ~grid.ragged
    if cut:
        keep[-1] = False
    recording = _build(fit, numbers, instants, keep=keep, export=export)
    reasons = [contradiction.describe() for contradiction in contradictions]
    if fit.skipped:
        named = ", ".join(repr(title) for title in fit.skipped[:NAMED_AT_MOST])
        reasons.append(f"not read, as no layout says what they hold: {named}")
    proposal = ""
    if reasons:
        units = {one.use.title: one.unit for one in contradictions}
        proposal = propose_layout(fit.text, name=export.name, units=units)
    if cut:
        reasons.append("the file stops inside its last row")
    if reasons:
        header = replace(recording.header, status="partial", reason="; ".join(reasons))
        recording = replace(recording, header=header, proposal=proposal)
    cells = sum(int(column.unreadable[keep].sum()) for column in numbers.values())
    remarks = collect_remarks(fit, grid, numbers, instants=instants, keep=keep, cut=cut)
    return Reading(fit, recording.with_remarks(*remarks), cells + int((~keep).sum()))


def has_time_in_head(fit: Fit, export: ExportFile, *, zone: Zone | None) -> bool:
    """Say whether one of the first rows has a time of the layout's form.

    Cheap, so that of several layouts that fit a header only those that can be meant are read. A
    head that raises anything is left to the full reading, which says why.
    """
    head = replace(fit, text="\n".join(fit.text.split("\n", HEAD_LINES)[:HEAD_LINES]))
    try:
        grid = read_grid(
            head.text, head.delimiter, header=head.header, width=head.width, name=export.name
        )
        if head.time_position is None or not len(grid.cells):
            return True
        return bool(_read_times(head, grid, {}, export=export, zone=zone).known.any())
    except ExportRefusedError:
        return True


def _parse_column(fit: Fit, use: Use, grid: Grid) -> Numbers:
    """Read the cells of a column as numbers; a pace may be written as `mm:ss`."""
    cells = grid.cells[use.position]
    missing = (*fit.layout.missing, *use.column.missing)
    numbers = parse_numbers(cells, fit.layout.decimal, missing=missing)
    if not use.column.unit.startswith("min/") or not numbers.unreadable.any():
        return numbers
    minutes = parse_clock(cells) / 60.0
    is_clock = numbers.unreadable & np.isfinite(minutes)
    return Numbers(np.where(is_clock, minutes, numbers.floats), numbers.unreadable & ~is_clock)


def _check_plausible(fit: Fit, numbers: dict[str, Numbers], export: ExportFile) -> None:
    for use in fit.uses:
        values = numbers[use.column.ours].floats
        if use.column.plausible is None or not np.isfinite(values).any():
            continue
        low, high = use.column.plausible
        middle = float(np.nanmedian(values))
        if not low <= middle <= high:
            raise DamagedError(
                export.name,
                found=f"{use.title} has the median {middle:g}, which is no value in "
                f"{use.column.unit} (layout {fit.layout.name})",
                remedy="describe the file in a layout with the right unit under columns/",
            )


def _check_devices(fit: Fit, grid: Grid, export: ExportFile) -> None:
    """Raise DamagedError when the rows, or two columns of heart rates, are of several devices."""
    found = find_devices(fit, grid)
    rates = [use for use in fit.uses if use.column.ours == "heart_rate_bpm"]
    for use in rates if fit.header is not None and found is None else ():
        others = find_other_rates(fit, use)
        one = _parse_column(fit, use, grid).floats
        for position in others:
            other = _parse_column(fit, replace(use, position=position), grid).floats
            if are_two_sensors(one, other):
                title = fit.header.cells[position] if fit.header is not None else ""
                found = f"the columns {use.title!r} and {title!r} hold heart rates of two sensors"
    if found is not None:
        raise DamagedError(
            export.name,
            found=f"{found}, and a file of several devices is no recording of one",
            remedy="save the rows or columns of each device as a file of its own",
        )


def _find_contradictions(
    fit: Fit, numbers: dict[str, Numbers], instants: Instants
) -> list[Contradiction]:
    seconds = np.where(instants.known, instants.micros / MICROSECONDS_PER_SECOND, np.nan)
    return find_contradictions(fit, _convert(fit, numbers), seconds)


def _leave_out(fit: Fit, contradictions: list[Contradiction], export: ExportFile) -> Fit:
    """Return the fit without the columns that contradict others. Raises: UnknownLayoutError."""
    out = {contradiction.use.position for contradiction in contradictions}
    uses = tuple(use for use in fit.uses if use.position not in out)
    if not uses:
        raise UnknownLayoutError(
            export.name,
            found="; ".join(contradiction.describe() for contradiction in contradictions),
            remedy="finish the proposed layout and put it under columns/ in the home folder",
            proposal=propose_layout(
                fit.text,
                name=export.name,
                units={one.use.title: one.unit for one in contradictions},
            ),
        )
    return replace(fit, uses=uses)


def _convert(fit: Fit, numbers: dict[str, Numbers]) -> dict[str, NDArray[np.float64]]:
    """Return the columns in the tables' units."""
    return {
        use.column.ours: convert_to_table_unit(
            numbers[use.column.ours].floats,
            use.column.unit,
            target=VOCABULARY.columns[use.column.ours],
        )
        for use in fit.uses
    }


def _read_times(
    fit: Fit, grid: Grid, numbers: dict[str, Numbers], *, export: ExportFile, zone: Zone | None
) -> Instants:
    block = _find_block(fit, export) if is_relative(fit) else None
    if fit.layout.time.form == "beats":
        unit = next(use.column.unit for use in fit.uses if use.column.ours == "rr_s")
        intervals_s = convert_to_table_unit(numbers["rr_s"].floats, unit, target="s")
        known = np.isfinite(intervals_s) & (intervals_s >= 0.0)
        seconds = np.cumsum(np.where(known, intervals_s, 0.0))
        if block is not None:
            return place_by_block(seconds, known, block, name=export.name, zone=zone)
        return place_elapsed(seconds, known, name=export.name, zone=zone)
    cells = grid.cells[fit.time_position]
    if fit.date_position is not None:
        cells = grid.cells[fit.date_position] + " " + cells
    if block is not None:
        seconds, known = read_elapsed(cells, fit.layout.time, decimal=fit.layout.decimal)
        zone = fit.layout.time.zone or zone
        return place_by_block(seconds, known, block, name=export.name, zone=zone)
    return read_instants(
        cells, fit.layout.time, decimal=fit.layout.decimal, zone=zone, name=export.name
    )


def _find_block(fit: Fit, export: ExportFile) -> BlockStart | None:
    try:
        return find_block_start(fit)
    except ValueError as error:
        raise UnknownLayoutError(
            export.name,
            found=str(error),
            remedy="name the file after its start, as 2026-05-02T0730Z.csv, and leave the lines "
            "above the table out, or give its rows a column with date and time",
        ) from error


def _find_unreadable_rows(numbers: dict[str, Numbers]) -> NDArray[np.bool_]:
    """Say which rows hold something, but no number that can be read."""
    unreadable = np.logical_or.reduce([column.unreadable for column in numbers.values()])
    present = np.logical_or.reduce([column.present for column in numbers.values()])
    return np.asarray(unreadable & ~present, dtype=np.bool_)


def _refuse(
    fit: Fit,
    grid: Grid,
    numbers: dict[str, Numbers],
    *,
    instants: Instants,
    good: NDArray[np.bool_],
    export: ExportFile,
) -> None:
    row = int(np.argmin(good))
    remedy = "export the file again, or describe its columns in a layout under columns/"
    if grid.ragged[row]:
        what = f"has more filled cells than the {fit.width} of the header"
        remedy = "a decimal comma must be quoted where the comma separates; export the file again"
    elif not instants.known[row] and fit.time_position is not None:
        time = grid.cells[fit.time_position][row]
        what = f"time {time!r} is none of the form {fit.layout.time.form!r}"
    else:
        use = next(use for use in fit.uses if numbers[use.column.ours].unreadable[row])
        cell = grid.cells[use.position][row]
        what = f"{use.title} = {cell!r} is no number"
        other = "," if fit.layout.decimal == "." else "."
        if is_number(cell, other):
            remedy = f"a layout with decimal = {other!r} is needed under columns/"
    raise DamagedError(
        export.name,
        found=f"line {grid.find_line(row)}: {what}; {int((~good).sum())} of {len(good)} rows "
        f"cannot be read by the layout {fit.layout.name}",
        remedy=remedy,
    )


def _build(
    fit: Fit,
    numbers: dict[str, Numbers],
    instants: Instants,
    *,
    keep: NDArray[np.bool_],
    export: ExportFile,
) -> Recording:
    values = {ours: column[keep] for ours, column in _convert(fit, numbers).items()}
    micros = instants.micros[keep]
    if not any(np.isfinite(column).any() for column in values.values()):
        raise NothingRecordedError(
            export.name,
            found="no value in any column that is read",
            remedy="export an activity that was recorded",
        )
    beats = make_empty(BEATS)
    intervals_s = values.pop("rr_s", None)
    if intervals_s is not None:
        has = np.isfinite(intervals_s)
        columns: dict[str, Any] = {
            "time_utc": micros[has],
            "rr_s": intervals_s[has],
            "beat_source": ["csv"] * int(has.sum()),
        }
        beats = make_table(BEATS, columns)
    samples = make_table(SAMPLES, {"time_utc": micros, **values}) if values else make_empty(SAMPLES)
    has_position = {"latitude_deg", "longitude_deg"} <= set(values)
    facts = fit.layout.facts
    return Recording(
        header=Header(
            format="csv",
            reader=_name_reader(),
            creator=facts.creator,
            sport=facts.sport,
            time_basis=instants.basis,
            position_kind="gnss" if has_position else "none",
            local_offset_s=instants.local_offset_s,
        ),
        start_utc=_EPOCH + timedelta(microseconds=int(micros.min())),
        end_utc=_EPOCH + timedelta(microseconds=int(micros.max())),
        samples=samples,
        laps=make_empty(LAPS),
        lengths=make_empty(LENGTHS),
        beats=beats,
        battery=make_empty(BATTERY),
        events=make_empty(EVENTS),
    )


def _name_reader() -> str:
    import pandas as pd  # noqa: PLC0415 - slow to import, and most commands read no CSV

    return f"pandas {pd.__version__}"
