"""Reads what goes into the package: published tables by SQL, the lake one recording at a time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import pyarrow as pa

from tasks.core.errors import CowornError
from tasks.package.hiding import hide_positions
from tasks.package.parts import DEVICES_SHOWN
from tasks.tables.tables import FINDINGS, PAIRS, SAMPLES, Table

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import duckdb

    from config.report import PrivatePlace
    from tasks.package.parts import Part

#: Returns the rows of one table of the lake, of the recording or workout with this key.
RowReader = Callable[[Table, str], pa.Table]
#: Called with how many of how many readings are done.
Listener = Callable[[int, int], None]
#: Workouts whose results are in the memory at one time.
_WORKOUTS_AT_ONCE: Final = 50
#: Readings of each recording: its five tables, and its samples again for the track.
_READINGS: Final = 6
_RECORDINGS: Final = f"""
SELECT recording_id, recordings.device_id, shown.name, workout_id,
  coalesce(sport, 'other') AS sport, coalesce(n_samples, 0) AS n_samples,
  coalesce(position_kind, 'none') AS position_kind
FROM recordings LEFT JOIN {DEVICES_SHOWN} AS shown ON shown.device_id = recordings.device_id
WHERE duplicate_of IS NULL ORDER BY recording_id
"""  # noqa: S608 - declared names only


@dataclass(frozen=True)
class RecordingFacts:
    """One recording that results may rest on."""

    recording_id: str
    device_id: str
    device_name: str | None
    workout_id: str | None
    sport: str
    n_samples: int
    position_kind: str


@dataclass
class Source:
    """Where rows come from, and how many readings of the lake are done."""

    connection: duckdb.DuckDBPyConnection
    read_rows: RowReader
    places: Sequence[PrivatePlace]
    tell: Listener | None = None
    recordings: tuple[RecordingFacts, ...] = ()
    workouts: tuple[str, ...] = ()
    done: int = field(default=0, init=False)

    def __post_init__(self) -> None:
        """List what there is."""
        found = self.connection.execute(_RECORDINGS).fetchall()
        self.recordings = tuple(RecordingFacts(*row) for row in found)
        rows = self.connection.execute("SELECT workout_id FROM workouts ORDER BY 1").fetchall()
        self.workouts = tuple(row[0] for row in rows)

    def read(self, table: Table, key: str) -> pa.Table:
        """Read one table of one recording or workout from the lake."""
        rows = self.read_rows(table, key)
        self.done += 1
        if self.tell is not None:
            self.tell(self.done, _READINGS * len(self.recordings) + len(self.workouts))
        return rows

    def read_samples(self, recording: RecordingFacts) -> pa.Table:
        """Read the samples of one recording.

        Raises: CowornError when the lake lacks them, as while it is made again.
        """
        rows = self.read(SAMPLES, recording.recording_id)
        if recording.n_samples and not rows.num_rows:
            raise CowornError(
                f"the samples of recording {recording.recording_id} are not in the lake; run "
                "coworn rebuild, or wait until it is done, and export again"
            )
        return rows


def read_part(source: Source, part: Part) -> Iterator[pa.Table]:
    """Return the rows of one table of the package, positions in private places hidden."""
    if part.query:
        for rows in _select(source, part):
            yield hide_positions(rows, source.places) if part.table is FINDINGS else rows
    elif part.table is PAIRS:
        for workout_id in source.workouts:
            yield _put_first(source.read(PAIRS, workout_id), "workout_id", workout_id)
    else:
        for recording in source.recordings:
            rows = (
                hide_positions(source.read_samples(recording), source.places)
                if part.table is SAMPLES
                else source.read(part.table, recording.recording_id)
            )
            yield _put_first(rows, "recording_id", recording.recording_id)


def _select(source: Source, part: Part) -> Iterator[pa.Table]:
    first = ("workout_id",) if part.by_workout else part.key
    names = (*first, *(name for name in part.column_names if name not in first))
    order = ", ".join(f'"{name}"' for name in names)
    if not part.by_workout:
        yield _fetch(source, f"SELECT * FROM ({part.query}) ORDER BY {order}", [])  # noqa: S608
        return
    for begin in range(0, len(source.workouts), _WORKOUTS_AT_ONCE):
        chosen = list(source.workouts[begin : begin + _WORKOUTS_AT_ONCE])
        query = f"SELECT * FROM ({part.query}) WHERE list_contains(?, workout_id) ORDER BY {order}"  # noqa: S608
        yield _fetch(source, query, [chosen])


def _fetch(source: Source, query: str, parameters: list[Any]) -> pa.Table:
    return source.connection.sql(query, params=parameters).to_arrow_table()


def _put_first(rows: pa.Table, name: str, value: str) -> pa.Table:
    return rows.add_column(0, name, pa.repeat(pa.scalar(value), rows.num_rows))


def find_decimals(source: Source, part: Part) -> dict[str, int]:
    """Say with how many decimals the seconds of each instant must be written to be exact.

    One column has one form throughout, so that any program recognises it.
    """
    names = [column.name for column in part.columns if column.kind == "instant"]
    if not names:
        return {}
    chosen = ", ".join(
        f'coalesce(max(CASE WHEN epoch_us("{name}") % 1000000 = 0 THEN 0 '
        f'WHEN epoch_us("{name}") % 1000 = 0 THEN 3 ELSE 6 END), 0)'
        for name in names
    )
    query = f"SELECT {chosen} FROM ({part.query or f'FROM {part.name}'})"  # noqa: S608 - as above
    (row,) = source.connection.execute(query).fetchall()
    return dict(zip(names, row, strict=True))
