"""Reads what goes into the package: published tables by SQL, the lake one recording at a time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import pyarrow as pa
import pyarrow.compute as pc

from tasks.core.errors import CowornError
from tasks.package.hiding import (
    hide_positions,
    hide_recordings,
    hide_results,
    hide_rows,
    hide_spans,
    hide_workouts,
)
from tasks.package.parts import DEVICES_SHOWN
from tasks.package.spans import find_workout_spans
from tasks.tables import tables
from tasks.tables.tables import DEVICES, PAIRS, SAMPLES, Table
from tasks.workout.published_clock import EXTENTS, PublishedClock, draw_clock

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    import duckdb

    from tasks.core.public_ids import PublicIds
    from tasks.package.parts import Part
    from tasks.workout.private_places import Hiding

#: Returns the rows of one table of the lake, of the recording or workout with this key.
RowReader = Callable[[Table, str], pa.Table]
#: Called with how many of how many readings are done.
Listener = Callable[[int, int], None]
#: Columns that hold ids of devices, beside words such as consensus.
_DEVICES: Final = frozenset({"device_id", "reference", "against"})
#: Tables of which something is hidden, and those of values across workouts.
_ANSWERS: Final = (tables.VERDICTS, tables.LEVELS, tables.LIMITS)
_HIDDEN: Final = (
    tables.WORKOUTS,
    tables.RECORDINGS,
    tables.SEGMENTS,
    tables.RESULTS,
    tables.FINDINGS,
    *_ANSWERS,
)
_PARTED: Final = (tables.LAPS, tables.LENGTHS)
#: Workouts whose results are in the memory at one time.
_WORKOUTS_AT_ONCE: Final = 50
#: Readings of each recording: its five tables, and its samples again for the track.
_READINGS: Final = 6
_RECORDINGS: Final = f"""
SELECT recording_id, recordings.device_id, shown.name, workout_id,
  coalesce(sport, 'other') AS sport, coalesce(n_samples, 0) AS n_samples,
  coalesce(position_kind, 'none') AS position_kind,
  coalesce(clock_shift_s, 0) + coalesce(
    (SELECT any_value(offset_s) FROM alignments WHERE alignments.workout_id = recordings.workout_id
     AND alignments.recording_id = coalesce(recordings.continues, recordings.recording_id)), 0
  ) AS added_s, epoch(start_utc) AS start_s, epoch(end_utc) AS end_s
FROM recordings LEFT JOIN {DEVICES_SHOWN} AS shown ON shown.device_id = recordings.device_id
WHERE duplicate_of IS NULL ORDER BY recording_id
"""  # noqa: S608 - declared names only


@dataclass(frozen=True)
class RecordingFacts:
    """One recording that results may rest on; `added_s` puts it on the workout's clock."""

    recording_id: str
    device_id: str
    device_name: str | None
    workout_id: str | None
    sport: str
    n_samples: int
    position_kind: str
    added_s: float
    start_s: float
    end_s: float

    @property
    def track(self) -> str:
        """What the ends of its track are moved by: devices worn together share it."""
        return self.workout_id or self.recording_id


@dataclass
class Source:
    """Where rows come from, and how many readings of the lake are done."""

    connection: duckdb.DuckDBPyConnection
    read_rows: RowReader
    hiding: Hiding
    ids: PublicIds
    tell: Listener | None = None
    recordings: tuple[RecordingFacts, ...] = ()
    workouts: tuple[str, ...] = ()
    done: int = field(default=0, init=False)
    _clocks: dict[str, PublishedClock] = field(default_factory=dict, init=False)

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

    def find_clock(self, track: str) -> PublishedClock:
        """Return the published clock of a workout, or of a recording without one."""
        if not self.hiding.places:
            return PublishedClock()
        if track not in self._clocks:
            worn = [one for one in self.recordings if one.track == track]
            spans = find_workout_spans(
                ((self.read_rows(SAMPLES, one.recording_id), one.added_s) for one in worn),
                self.hiding,
                track=track,
            )
            begin_s = min((one.start_s + one.added_s for one in worn), default=0.0)
            end_s = max((one.end_s + one.added_s for one in worn), default=0.0)
            self._clocks[track] = draw_clock(begin_s, end_s, spans)
        return self._clocks[track]

    def find_clocks(self, tracks: Iterable[str]) -> dict[str, PublishedClock]:
        """Return the published clocks of several."""
        return {track: self.find_clock(track) for track in sorted(set(tracks))}

    def read_shown(self, recording: RecordingFacts) -> pa.Table:
        """Read the samples of one recording as they are published."""
        rows = self.read_samples(recording)
        return hide_rows(rows, self.find_clock(recording.track), added_s=recording.added_s)

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
    """Return the rows of one table of the package: what is private hidden, ids as published."""
    for rows in _read_part(source, part):
        yield publish_ids(rows, source.ids, part=part)


def publish_ids(rows: pa.Table, ids: PublicIds, *, part: Part) -> pa.Table:
    """Return rows with ids as they are published, in sentences too."""
    named = {*_DEVICES, "name"} if part.table is DEVICES else _DEVICES
    for at, field_ in enumerate(rows.schema):
        if not pa.types.is_string(field_.type) and not pa.types.is_dictionary(field_.type):
            continue
        write = ids.find_device if field_.name in named else ids.rewrite
        coded = pc.dictionary_encode(rows.column(at)).combine_chunks()
        words = [None if word is None else write(word) for word in coded.dictionary.to_pylist()]
        if words != coded.dictionary.to_pylist():
            changed = pa.array(words, pa.string()).take(coded.indices)
            rows = rows.set_column(at, field_.name, changed)
    return rows


def find_automatic(connection: duckdb.DuckDBPyConnection) -> frozenset[str]:
    """Return the devices that nobody named."""
    rows = connection.execute(
        "SELECT DISTINCT device_id FROM recordings WHERE known_by = 'none'"
    ).fetchall()
    return frozenset(str(row[0]) for row in rows)


def _read_part(source: Source, part: Part) -> Iterator[pa.Table]:
    if part.query:
        for rows in _select(source, part):
            yield _hide_selected(source, part, rows)
    elif part.table is PAIRS:
        for workout_id in source.workouts:
            rows = hide_rows(source.read(PAIRS, workout_id), source.find_clock(workout_id))
            yield _put_first(rows, "workout_id", workout_id)
    else:
        for recording in source.recordings:
            rows = _read_hidden(source, part.table, recording)
            yield _put_first(rows, "recording_id", recording.recording_id)


def _read_hidden(source: Source, table: Table, recording: RecordingFacts) -> pa.Table:
    if table is SAMPLES:
        return source.read_shown(recording)
    rows = source.read(table, recording.recording_id)
    clock = source.find_clock(recording.track)
    if table in _PARTED:
        # A device marks them every so far, or so long, from the start.
        return rows.slice(0, 0) if clock.is_moved else rows
    return hide_rows(rows, clock, added_s=recording.added_s)


def _hide_selected(source: Source, part: Part, rows: pa.Table) -> pa.Table:
    table = part.table
    if not source.hiding.places or table not in _HIDDEN:
        return rows
    if table in _ANSWERS:
        return rows.filter(pc.invert(pc.is_in(rows.column("metric"), pa.array(sorted(EXTENTS)))))
    if table is tables.RECORDINGS:
        by_id = {one.recording_id: one for one in source.recordings}
        return hide_recordings(rows, *_find_doubles(source, rows, by_id))
    named = (one for one in rows.column("workout_id").to_pylist() if one is not None)
    clocks = source.find_clocks(named)
    if table is tables.WORKOUTS:
        return hide_workouts(rows, clocks)
    if table is tables.RESULTS:
        return hide_results(rows, clocks)
    shown = hide_spans(rows, clocks)
    return hide_positions(shown, source.hiding) if table is tables.FINDINGS else shown


def _find_doubles(
    source: Source, rows: pa.Table, by_id: dict[str, RecordingFacts]
) -> tuple[dict[str, PublishedClock], dict[str, float]]:
    """Return clock and added time of each recording that is listed, doubles too."""
    clocks, added_s = {}, {}
    for recording_id, workout_id in zip(
        rows.column("recording_id").to_pylist(), rows.column("workout_id").to_pylist(), strict=True
    ):
        clocks[recording_id] = source.find_clock(workout_id or recording_id)
        known = by_id.get(recording_id)
        added_s[recording_id] = 0.0 if known is None else known.added_s
    return clocks, added_s


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
