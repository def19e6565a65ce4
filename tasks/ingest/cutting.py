"""Cuts a recording in two at an instant."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa

from tasks.core.parts import number_part
from tasks.core.recording import Remark
from tasks.tables.arrow import make_table, read_floats, read_micros
from tasks.tables.tables import LAPS, LENGTHS, RECORDING_TABLES, SAMPLES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tasks.core.recording import Recording
    from tasks.tables.tables import Table

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
#: What has a start and an end, and the column that numbers it.
_SPANS: Final = {LAPS.name: "lap", LENGTHS.name: "length"}


def cut(recording: Recording, instants: Sequence[datetime]) -> tuple[Recording, ...]:
    """Return the parts of `recording`, each from one of the `instants` to the next.

    An instant with no sample before or after it cuts nothing, and neither does one where times only
    count from the start; a remark says so. Laps that lie across an instant belong to no part, a
    pool length to the one that holds its middle; distances count from the part's own start. The
    first part keeps the number of the whole, the others have their second in it.
    """
    stamps = read_micros(recording.samples)
    wanted = sorted({one.astimezone(UTC).replace(microsecond=0) for one in instants})
    bounds: list[datetime] = []
    if recording.header.time_basis != "elapsed":
        for one in wanted:
            before = np.searchsorted(stamps, _count_micros(bounds[-1]) if bounds else -np.inf)
            if before < np.searchsorted(stamps, _count_micros(one)) < stamps.size:
                bounds.append(one)
    recording = _say_unfit(recording, [one for one in wanted if one not in bounds])
    if not bounds:
        return (recording,)
    edges = [None, *bounds, None]
    return tuple(
        _take_part(recording, begin, end, number=number, of=len(bounds) + 1)
        for number, (begin, end) in enumerate(pairwise(edges), start=1)
    )


def _say_unfit(recording: Recording, instants: Sequence[datetime]) -> Recording:
    """Return the recording with a remark on each instant that has no two parts."""
    if not instants:
        return recording
    listed = ", ".join(f"{one:%Y-%m-%d %H:%M:%S} UTC" for one in instants)
    header = replace(recording.header, part=f"not split at {listed}")
    return replace(recording, header=header).with_remarks(
        Remark(f"notes split it at {listed}, where it has no two parts")
    )


def _take_part(
    whole: Recording, begin: datetime | None, end: datetime | None, *, number: int, of: int
) -> Recording:
    low = -np.inf if begin is None else _count_micros(begin)
    high = np.inf if end is None else _count_micros(end)
    tables = {
        table.name: _take_rows(getattr(whole, table.name), table, low, high)
        for table in RECORDING_TABLES
    }
    span = " ".join(
        f"{word} {edge:%Y-%m-%d %H:%M:%S} UTC"
        for word, edge in (("from", begin), ("to", end))
        if edge is not None
    )
    is_last = end is None
    header = replace(
        whole.header,
        device_distance_m=None,
        device_ascent_m=None,
        device_descent_m=None,
        index=_find_number(whole, begin),
        status=whole.header.status if is_last else "whole",
        reason=whole.header.reason if is_last else None,
        part=span,
    )
    stamps = read_micros(tables[SAMPLES.name])
    return replace(
        whole,
        header=header,
        start_utc=whole.start_utc if begin is None else _make_instant(stamps[0]),
        end_utc=whole.end_utc if is_last else _make_instant(stamps[-1]),
        **tables,
    ).with_remarks(
        Remark(
            f"part {number} of {of} of a recording that was split ({span}); the device's own "
            "totals are of the whole and left out"
        )
    )


def _find_number(whole: Recording, begin: datetime | None) -> int:
    index = whole.header.index
    return index if begin is None else number_part(index, begin=begin, start=whole.start_utc)


def _take_rows(rows: pa.Table, table: Table, low: float, high: float) -> pa.Table:
    if not rows.num_rows:
        return rows
    if table.name in _SPANS:
        return _take_spans(rows, table, low, high)
    stamps = read_micros(rows)
    is_inside = (stamps >= low) & (stamps < high)
    found = rows.filter(pa.array(is_inside))
    return _count_anew(rows, found, stamps < low) if table is SAMPLES else found


def _take_spans(rows: pa.Table, table: Table, low: float, high: float) -> pa.Table:
    begins, ends = read_micros(rows, "start_utc"), read_micros(rows, "end_utc")
    middle = np.where(np.isfinite(ends), (begins + ends) / 2, begins)
    is_inside = (middle >= low) & (middle < high)
    if table is LAPS:
        is_inside = (begins >= low) & (np.where(np.isfinite(ends), ends, begins) <= high)
    found = rows.filter(pa.array(is_inside))
    columns: dict[str, Any] = {name: found.column(name) for name in found.column_names}
    columns[_SPANS[table.name]] = list(range(found.num_rows))
    return make_table(table, columns)


def _count_anew(rows: pa.Table, found: pa.Table, is_before: Any) -> pa.Table:  # noqa: ANN401 - array
    """Return samples whose distance and pieces count from the start of the part."""
    columns: dict[str, Any] = {name: found.column(name) for name in found.column_names}
    distance = read_floats(found, "distance_m")
    gone = read_floats(rows, "distance_m")[is_before]
    gone = gone[np.isfinite(gone)]
    known = distance[np.isfinite(distance)]
    if gone.size and known.size and known[0] >= gone[-1]:
        columns["distance_m"] = distance - gone[-1]
    pieces = read_floats(found, "piece")
    if pieces.size and np.isfinite(pieces[0]):
        columns["piece"] = pieces - pieces[0]
    return make_table(SAMPLES, columns)


def _count_micros(instant: datetime) -> int:
    return (instant - _EPOCH) // timedelta(microseconds=1)


def _make_instant(micros: float) -> datetime:
    return _EPOCH + timedelta(microseconds=int(micros))
