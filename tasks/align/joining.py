"""Sets clocks by whole shifts and joins the pieces of one recording."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from tasks.core.recording import Recording, Remark
from tasks.tables.arrow import concatenate, make_table, read_floats
from tasks.tables.tables import LAPS, LENGTHS, RECORDING_TABLES, SAMPLES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from tasks.tables.tables import Table

    Floats = NDArray[np.float64]

_SUMMED = ("device_distance_m", "device_ascent_m", "device_descent_m")


def shift_recording(recording: Recording, shift_s: float) -> Recording:
    """Return the recording with `shift_s` added to every time in it."""
    if shift_s == 0.0:
        return recording
    micros = round(shift_s * 1_000_000)
    tables = {
        table.name: _shift_table(getattr(recording, table.name), table, micros)
        for table in RECORDING_TABLES
    }
    moved = timedelta(microseconds=micros)
    return replace(
        recording,
        start_utc=recording.start_utc + moved,
        end_utc=recording.end_utc + moved,
        **tables,
    )


def join_pieces(pieces: Sequence[Recording]) -> Recording:
    """Join pieces of one recording, in the order of time, into one with a gap.

    Pieces, laps and lengths are numbered through; a distance that begins again goes on from the
    last one; the device's own totals are summed where each piece has one, else missing. Header
    facts are those of the first piece.
    """
    if len(pieces) == 1:
        return pieces[0]
    samples = _join_samples([piece.samples for piece in pieces])
    others = {
        table.name: concatenate(table, [getattr(piece, table.name) for piece in pieces])
        for table in RECORDING_TABLES
        if table is not SAMPLES
    }
    others[LAPS.name] = _renumber(others[LAPS.name], LAPS, "lap")
    others[LENGTHS.name] = _renumber(others[LENGTHS.name], LENGTHS, "length")
    totals = {name: _sum_known([getattr(one.header, name) for one in pieces]) for name in _SUMMED}
    first = pieces[0]
    return Recording(
        header=replace(first.header, **totals),  # type: ignore[arg-type] # floats by name
        start_utc=min(piece.start_utc for piece in pieces),
        end_utc=max(piece.end_utc for piece in pieces),
        samples=samples,
        remarks=(
            *(remark for piece in pieces for remark in piece.remarks),
            Remark("recordings were joined into one with a gap", len(pieces)),
        ),
        **others,
    )


def _shift_table(rows: pa.Table, table: Table, micros: int) -> pa.Table:
    if not rows.num_rows:
        return rows
    columns: dict[str, Any] = {name: rows.column(name) for name in rows.column_names}
    for column in table.columns:
        if column.kind == "instant" and column.name in columns:
            stamps = columns[column.name].cast(pa.int64()).to_pylist()
            moved = [None if stamp is None else stamp + micros for stamp in stamps]
            columns[column.name] = pa.array(moved, type=pa.int64())
    return make_table(table, columns)


def _join_samples(parts: Sequence[pa.Table]) -> pa.Table:
    joined = concatenate(SAMPLES, parts)
    distances, numbers = [], []
    gone_m, piece = 0.0, 0
    for part in parts:
        distance = read_floats(part, "distance_m")
        known = distance[np.isfinite(distance)]
        if known.size:
            if known[0] < gone_m:
                distance = distance + gone_m
            gone_m = float(distance[np.isfinite(distance)][-1])
        distances.append(distance)
        number = np.nan_to_num(read_floats(part, "piece")) + piece
        piece = int(number[-1]) + 1 if number.size else piece
        numbers.append(number)
    columns: dict[str, Any] = {name: joined.column(name) for name in joined.column_names}
    columns["distance_m"] = np.concatenate(distances)
    columns["piece"] = np.concatenate(numbers)
    table = make_table(SAMPLES, columns)
    stamps = table.column("time_utc").cast(pa.int64()).to_numpy()
    return table.take(pa.array(np.argsort(stamps, kind="stable")))


def _renumber(rows: pa.Table, table: Table, name: str) -> pa.Table:
    columns: dict[str, Any] = {other: rows.column(other) for other in rows.column_names}
    columns[name] = list(range(rows.num_rows))
    return make_table(table, columns)


def _sum_known(values: Sequence[float | None]) -> float | None:
    return None if None in values else sum(value for value in values if value is not None)
