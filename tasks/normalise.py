"""From what an export says to one clean form: sorted, each instant once, impossible values out.

Nothing is repaired by guessing: a value that cannot be is missing, and a remark says how many
were taken out and why.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa

from tasks.core.errors import NothingRecordedError
from tasks.core.recording import Recording, Remark
from tasks.jumps import describe_beats, describe_jumps
from tasks.maths.pauses import mark_pauses
from tasks.tables.arrow import make_table, read_floats, read_micros
from tasks.tables.tables import BATTERY, BEATS, EVENTS, LAPS, LENGTHS, SAMPLES, Table
from tasks.tables.timer import read_pauses

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tasks.tables.column import Column

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Booleans = NDArray[np.bool_]
    Columns = dict[str, Floats]

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECONDS: Final = 1e6
#: Raw 0 of a FIT altitude (scale 5, offset 500 m): no land lies there.
_NO_FIT_HEIGHT_M: Final = -500.0
_HALF_TURN_DEG: Final = 180.0
_TURN_DEG: Final = 360.0
_TEXTS: Final = frozenset({"csv", "gpx", "tcx"})
#: A stretch of samples this far from all others has a wrong date, if it is the small part of the
#: recording (a device that stamps before its first fix knows the date of its last use).
_LOST_DATE_US: Final = 24 * 3600 * 1_000_000
_SMALL_PART: Final = 0.1
#: Column that says when a row of a table happened, by table.
_TIMES: Final = {
    LAPS: "start_utc",
    LENGTHS: "start_utc",
    BEATS: "time_utc",
    BATTERY: "time_utc",
    EVENTS: "time_utc",
}
#: Tables and columns that the span of a recording is taken from. Battery readings and events are
#: not: devices write them before and after the activity, too.
_SPAN: Final = (
    (SAMPLES, ("time_utc",)),
    (LAPS, ("start_utc", "end_utc")),
    (LENGTHS, ("start_utc", "end_utc")),
    (BEATS, ("time_utc",)),
)


def normalise_recording(recording: Recording, *, name: str = "") -> Recording:
    """Return the recording in its one clean form.

    Samples have every column of the schema, are sorted by time, hold each instant once (of
    doubled stamps the first known value of each column counts) and only values inside the
    plausible range of their column; a position is whole or missing, its longitude in
    [-180, 180), and exactly (0, 0) is no position. Pieces are numbered from 0 in the order of
    time. The other tables are sorted and bounded alike. `start_utc` and `end_utc` span samples,
    laps, lengths and beats. Normalising twice changes nothing.

    *Raises* NothingRecordedError, for the export called `name`, when no value, lap, length or
    beat remains.
    """
    remarks: list[Remark] = []
    samples = _clean_samples(recording, remarks)
    window = _find_window(samples, recording.samples)
    others = {
        table.name: _clean_table(getattr(recording, table.name), table, window, remarks)
        for table in _TIMES
    }
    clean = replace(recording, samples=samples, **others)
    if not (_holds_values(samples) or clean.laps.num_rows or clean.lengths.num_rows) and (
        not clean.beats.num_rows
    ):
        raise NothingRecordedError(
            name or f"recording {recording.header.index} ({recording.header.format})",
            found="no sample, lap, length or beat remains with a time and a value",
            remedy="export the activity again, with its samples",
        )
    start_us, end_us = _find_span(clean)
    jumps = describe_jumps(clean)
    known = {remark.text for remark in recording.remarks}
    remarks += [one for one in (*jumps, *describe_beats(clean)) if one.text not in known]
    return replace(
        _doubt(clean, jumps),
        start_utc=_EPOCH + timedelta(microseconds=start_us),
        end_utc=_EPOCH + timedelta(microseconds=end_us),
    ).with_remarks(*remarks)


def _doubt(recording: Recording, jumps: list[Remark]) -> Recording:
    """Mark a recording from a text as partial when single values jump: no checksum guards it."""
    header = recording.header
    if not jumps or header.format not in _TEXTS:
        return recording
    said = [f"{remark.text}, {remark.count} in all" for remark in jumps]
    reason = "; ".join(one for one in (header.reason, *said) if one not in (None, ""))
    if header.reason is not None and said[0] in header.reason:
        return recording
    return replace(recording, header=replace(header, status="partial", reason=reason))


# --- samples ----------------------------------------------------------------------------------
def _clean_samples(recording: Recording, remarks: list[Remark]) -> pa.Table:
    raw = recording.samples
    times = read_micros(raw, "time_utc")
    timed = np.isfinite(times)
    _note(remarks, "samples without a time were left out", (~timed).sum())
    order = np.flatnonzero(timed)[np.argsort(times[timed], kind="stable")]
    order = order[_keep_main_part(times[order], remarks)]
    stamps = times[order].astype(np.int64)
    columns = {
        column.name: read_floats(raw, column.name)[order]
        for column in SAMPLES.columns
        if column.kind == "float" and column.name in raw.column_names
    }
    _clean_positions(columns, remarks)
    for column in SAMPLES.columns:
        if column.name in columns:
            columns[column.name] = _apply_bounds(columns[column.name], column, remarks)
    _join_position(columns)
    _leave_out_no_heights(columns, remarks)
    pieces = read_floats(raw, "piece")[order] if "piece" in raw.column_names else None
    numbers = _number_pieces(stamps, pieces, recording.events, remarks)
    starts = np.flatnonzero(np.diff(stamps, prepend=stamps[:1] - 1))
    if starts.size < stamps.size:
        _note(
            remarks,
            "samples had the time of the one before and were merged with it",
            stamps.size - starts.size,
        )
        columns = _merge_doubles(columns, starts)
    numbers = _split_at_pauses(stamps[starts], numbers[starts], columns, remarks)
    merged: dict[str, Any] = {"time_utc": stamps[starts], **columns, "piece": numbers}
    return make_table(SAMPLES, merged)


def _keep_main_part(times: Floats, remarks: list[Remark]) -> Booleans:
    """Mark the samples that are not on another date than nearly all of the recording."""
    if not times.size:
        return np.zeros(0, dtype=np.bool_)
    part = np.cumsum(np.diff(times, prepend=times[0]) > _LOST_DATE_US)
    sizes = np.bincount(part)
    main: Booleans = part == np.argmax(sizes)
    n_strange = int((~main).sum())
    if n_strange > _SMALL_PART * times.size:
        return np.ones(times.size, dtype=np.bool_)
    _note(
        remarks,
        "samples more than a day away from all others were left out; the device did not "
        "know the date yet",
        n_strange,
    )
    return main


def _clean_positions(columns: Columns, remarks: list[Remark]) -> None:
    """Wrap longitudes and take out the place that receivers without a fix give."""
    if "latitude_deg" not in columns or "longitude_deg" not in columns:
        return
    latitude, longitude = columns["latitude_deg"], columns["longitude_deg"]
    nowhere = (latitude == 0.0) & (longitude == 0.0)
    _note(remarks, "positions were exactly 0, 0 (no fix) and set to missing", nowhere.sum())
    # Ordinary longitudes stay untouched, to the last bit.
    beyond = (longitude >= _HALF_TURN_DEG) & (longitude < _TURN_DEG)
    wrapped = np.where(beyond, longitude - _TURN_DEG, longitude)
    columns["latitude_deg"] = np.where(nowhere, np.nan, latitude)
    columns["longitude_deg"] = np.where(nowhere, np.nan, wrapped)


def _join_position(columns: Columns) -> None:
    """Make a position with one coordinate missing, missing."""
    latitude, longitude = columns.get("latitude_deg"), columns.get("longitude_deg")
    if latitude is None or longitude is None:
        columns.pop("latitude_deg", None)
        columns.pop("longitude_deg", None)
        return
    whole = np.isfinite(latitude) & np.isfinite(longitude)
    columns["latitude_deg"] = np.where(whole, latitude, np.nan)
    columns["longitude_deg"] = np.where(whole, longitude, np.nan)


def _merge_doubles(columns: Columns, starts: Integers) -> Columns:
    """Return one row per run of equal stamps: the first known value of each column."""
    merged = {}
    for name, values in columns.items():
        n = values.size
        places = np.where(np.isfinite(values), np.arange(n), n)
        first = np.minimum.reduceat(places, starts)
        merged[name] = np.append(values, np.nan)[first]
    return merged


def _number_pieces(
    stamps: Integers, pieces: Floats | None, events: pa.Table, remarks: list[Remark]
) -> Integers:
    """Count the uninterrupted pieces from 0, by the export's own parts, else by its timer."""
    if pieces is not None and np.isfinite(pieces).any():
        known = np.where(np.isfinite(pieces), pieces, -1.0)
        changes = np.diff(known, prepend=known[:1]) != 0
        if changes.sum() < np.unique(known).size:
            return np.cumsum(changes).astype(np.int64)
        _note(remarks, "pieces of the export overlap in time and count as one", 1)
        return np.zeros(stamps.size, dtype=np.int64)
    restarts = [restart for _, restart in read_pauses(events) if restart is not None]
    restarts_us = np.array(restarts, dtype=np.int64)
    number = np.searchsorted(restarts_us, stamps, side="right")
    return np.unique(number, return_inverse=True)[1].astype(np.int64)


def _leave_out_no_heights(columns: Columns, remarks: list[Remark]) -> None:
    """Take out heights that say that there is none: the lowest of a FIT file, and 0 throughout."""
    heights = columns.get("altitude_m")
    if heights is None:
        return
    lowest = heights == _NO_FIT_HEIGHT_M
    known = heights[np.isfinite(heights) & ~lowest]
    if known.size and not known.any():
        _note(remarks, "heights of 0 m throughout are no heights and were left out", known.size)
        lowest = np.isfinite(heights)
    elif lowest.any():
        _note(remarks, "heights of -500 m, which stand for none, were left out", lowest.sum())
    columns["altitude_m"] = np.where(lowest, np.nan, heights)


def _split_at_pauses(
    stamps: Integers, numbers: Integers, columns: Columns, remarks: list[Remark]
) -> Integers:
    """Begin a new piece after each gap in which the device stood still and recorded nothing."""
    missing = np.full(stamps.size, np.nan)
    stood = mark_pauses(
        stamps / _MICROSECONDS,
        *(columns.get(name, missing) for name in ("distance_m", "latitude_deg", "longitude_deg")),
    ) & (np.diff(numbers) == 0)
    if not stood.any():
        return numbers
    _note(remarks, "gaps in which nothing moved count as automatic pauses", stood.sum())
    split: Integers = numbers + np.concatenate([[0], np.cumsum(stood)])
    return split


def _holds_values(samples: pa.Table) -> bool:
    names = [c.name for c in SAMPLES.columns if c.kind == "float"]
    return any(samples.column(name).null_count < samples.num_rows for name in names)


# --- the other tables -------------------------------------------------------------------------
def _find_window(clean: pa.Table, raw: pa.Table) -> tuple[float, float]:
    """Return time that rows of other tables must lie in: open, unless strange dates were cut."""
    before = read_micros(raw, "time_utc")
    after = read_micros(clean, "time_utc")
    if not after.size or (
        before.size and np.nanmin(before) == after[0] and np.nanmax(before) == after[-1]
    ):
        return -np.inf, np.inf
    return after[0] - _LOST_DATE_US, after[-1] + _LOST_DATE_US


def _clean_table(
    rows: pa.Table, table: Table, window: tuple[float, float], remarks: list[Remark]
) -> pa.Table:
    """Return `rows` sorted by time, rows without one left out, bounds applied."""
    times = read_micros(rows, _TIMES[table])
    timed = np.isfinite(times) & (times >= window[0]) & (times <= window[1])
    _note(remarks, f"rows of {table.name} without a usable time were left out", (~timed).sum())
    order = np.flatnonzero(timed)[np.argsort(times[timed], kind="stable")]
    taken = rows.take(pa.array(order))
    columns: dict[str, Any] = {name: taken.column(name) for name in taken.column_names}
    for column in table.columns:
        is_bounded = column.low is not None or column.high is not None
        if column.kind == "float" and is_bounded and column.name in columns:
            values = read_floats(taken, column.name)
            columns[column.name] = _apply_bounds(values, column, remarks)
    return make_table(table, columns)


# --- shared -----------------------------------------------------------------------------------
def _apply_bounds(values: Floats, column: Column, remarks: list[Remark]) -> Floats:
    """Set values outside the column's plausible range to missing."""
    low = -np.inf if column.low is None else column.low
    high = np.inf if column.high is None else column.high
    known = ~np.isnan(values)
    outside = known & ~((values >= low) & (values <= high))
    is_zero = outside & (values == 0.0)
    unit = "" if column.unit is None else f" {column.unit}"
    _note(remarks, f"values of {column.name} were 0 (no value) and set to missing", is_zero.sum())
    _note(
        remarks,
        f"values of {column.name} were outside {low:g} to {high:g}{unit} and set to missing",
        (outside & ~is_zero).sum(),
    )
    return np.where(outside | ~np.isfinite(values), np.nan, values)


def _find_span(recording: Recording) -> tuple[int, int]:
    ends = [
        read_micros(getattr(recording, table.name), name)
        for table, names in _SPAN
        for name in names
    ]
    every = np.concatenate(ends)
    return int(np.nanmin(every)), int(np.nanmax(every))


def _note(remarks: list[Remark], text: str, count: Any) -> None:  # noqa: ANN401 - NumPy integers
    if count:
        remarks.append(Remark(text, int(count)))
