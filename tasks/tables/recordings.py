"""From columns of a position log to a Recording."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import nan
from typing import TYPE_CHECKING, Any

import numpy as np

from tasks.core.errors import NoClockError, NothingRecordedError
from tasks.core.instants import find_possible, from_microseconds
from tasks.core.recording import Header, Recording, Remark
from tasks.tables.arrow import make_empty, make_table
from tasks.tables.tables import BATTERY, BEATS, EVENTS, LAPS, LENGTHS, SAMPLES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pyarrow as pa
    from numpy.typing import NDArray


@dataclass
class PointLog:
    """Positions with what stands beside them, column by column; `channels` are all columns."""

    channels: tuple[str, ...]
    micros: list[int] = field(default_factory=list)
    pieces: list[int] = field(default_factory=list)
    columns: dict[str, list[float]] = field(init=False)
    n_unreadable: int = 0

    def __post_init__(self) -> None:
        """Begin with empty columns."""
        self.columns = {name: [] for name in self.channels}

    def add(self, micros: int | None, values: Mapping[str, float], piece: int) -> None:
        """Add a position; one that cannot be read, or whose time cannot, is counted instead."""
        if micros is None or "latitude_deg" not in values or "longitude_deg" not in values:
            self.n_unreadable += 1
            return
        self.micros.append(micros)
        self.pieces.append(piece)
        for name, column in self.columns.items():
            column.append(values.get(name, nan))


def build_recording(
    header: Header,
    micros: Sequence[int] | NDArray[np.int64],
    columns: Mapping[str, Sequence[Any] | NDArray[Any]],
    *,
    name: str,
    remarks: Sequence[Remark] = (),
    beats: pa.Table | None = None,
) -> Recording:
    """Build the recording of samples that share one list of times.

    Parameters
    ----------
    header
        Facts; whether there are positions is found here.
    micros
        Times [us since 1970-01-01T00:00:00Z], shape (n,), in file order.
    columns
        Columns of `samples` in its units, each of shape (n,), NaN where missing.
    name
        The export's name, for errors.
    remarks
        What was noticed while reading.
    beats
        Rows of `beats`, where there are any; without `columns` they alone span the recording.

    Raises
    ------
    NothingRecordedError
        There is no row.
    NoClockError
        No time lies in years in which a clock was set.
    """
    times = np.asarray(micros, dtype=np.int64)
    if not len(times):
        raise NothingRecordedError(
            name, found="it holds no sample with a time", remedy="export a recorded activity"
        )
    possible = find_possible(times)
    if not possible.any():
        raise NoClockError(
            name,
            found=f"its times begin in {from_microseconds(int(times[0])).year}, when the clock was "
            "not set",
            remedy="record with a set clock; these times cannot be placed",
        )
    kept = {key: np.asarray(values)[possible] for key, values in columns.items()}
    n_impossible = int((~possible).sum())
    listed = list(remarks)
    if n_impossible:
        listed.append(Remark("samples with impossible times were left out", n_impossible))
    times = times[possible]
    latitudes = kept.get("latitude_deg")
    if latitudes is not None and np.isfinite(latitudes).any():
        header = replace(header, position_kind="gnss")
    return Recording(
        header=header,
        start_utc=from_microseconds(int(times.min())),
        end_utc=from_microseconds(int(times.max())),
        samples=make_table(SAMPLES, {"time_utc": times, **kept}) if kept else make_empty(SAMPLES),
        remarks=tuple(listed),
        beats=make_empty(BEATS) if beats is None else beats,
        **{table.name: make_empty(table) for table in (LAPS, LENGTHS, BATTERY, EVENTS)},
    )
