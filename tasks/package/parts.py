"""What is in the package: which columns of which tables, and how the tables hang together.

Left out is what leads to a person or to files that are not in the package: file names, folders and
hashes, serial numbers, what an export calls its maker, notes as they were written, and the remarks
that quote cells of an export.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from tasks.tables import tables
from tasks.tables.columns import COLUMNS
from tasks.tables.tables import PAIRS, Table

if TYPE_CHECKING:
    from tasks.tables.column import Column


@dataclass(frozen=True)
class Link:
    """A column whose values are keys of another part; `column` there may have another name."""

    column: str
    part: str
    key: str


@dataclass(frozen=True)
class Part:
    """One table of the package.

    `query` selects the rows from the published results; of a table of the lake it is empty.
    `unique` names columns that are unique together, but may be missing. `by_workout` is true where
    the rows of a thousand workouts would not fit into the memory.
    """

    name: str
    title: str
    table: Table
    columns: tuple[Column, ...]
    query: str = ""
    key: tuple[str, ...] = ()
    unique: tuple[str, ...] = ()
    links: tuple[Link, ...] = ()
    by_workout: bool = False

    @property
    def path(self) -> str:
        """Where the file lies in the package; what comes from the lake is compressed."""
        return f"data/{self.name}.csv" if self.query else f"data/{self.name}.csv.gz"

    @property
    def column_names(self) -> tuple[str, ...]:
        """Names in order."""
        return tuple(column.name for column in self.columns)


_LINKS: Final = {
    "workout_id": Link("workout_id", "workouts", "workout_id"),
    "recording_id": Link("recording_id", "recordings", "recording_id"),
    "reference_recording_id": Link("reference_recording_id", "recordings", "recording_id"),
    "device_id": Link("device_id", "devices", "device_id"),
    "run_id": Link("run_id", "runs", "run_id"),
    "duplicate_of": Link("duplicate_of", "recordings", "recording_id"),
    "continues": Link("continues", "recordings", "recording_id"),
    "reference_timeline": Link("reference_timeline", "recordings", "recording_id"),
}
_LEFT_OUT: Final = {
    "recordings": ("file_id", "reason", "creator", "serial", "known_by", "remarks"),
    "workouts": ("notes_file_id", "fingerprint"),
}
#: Runs that any row of the package comes from.
_MADE_BY: Final = " UNION ".join(
    f"SELECT run_id FROM latest_{table.name}"  # noqa: S608 - declared names only
    for table in (tables.RESULTS, tables.FINDINGS, *tables.ANSWERS)
)
RUNS_USED: Final = f"runs WHERE run_id IN ({_MADE_BY})"
#: A device that nobody has named yet bears what its export or its file is called.
DEVICES_SHOWN: Final = (
    "(SELECT * REPLACE (CASE WHEN device_id IN (SELECT device_id FROM recordings "
    "WHERE known_by = 'none') THEN device_id ELSE name END AS name) FROM devices)"
)


def _make_stored(
    table: Table,
    title: str,
    *,
    source: str = "",
    key: tuple[str, ...] | None = None,
    unique: tuple[str, ...] = (),
    by_workout: bool = False,
) -> Part:
    columns = tuple(
        column for column in table.columns if column.name not in _LEFT_OUT.get(table.name, ())
    )
    own_key = table.key if key is None else key
    names = ", ".join(f'"{column.name}"' for column in columns)
    return Part(
        name=table.name,
        title=title,
        table=table,
        columns=columns,
        query=f"SELECT {names} FROM {source or table.name}",  # noqa: S608 - declared names only
        key=own_key,
        unique=unique,
        links=_find_links(table.name, columns, own_key),
        by_workout=by_workout,
    )


def _make_answered(table: Table, title: str) -> Part:
    """Return what is answered across workouts; an answer without workouts was taken back."""
    return _make_stored(
        table,
        title,
        source=f"latest_{table.name} WHERE n_workouts > 0",
        key=(),
        unique=tuple(name for name in table.key if name != "run_id"),
    )


def _make_laid(
    table: Table,
    title: str,
    *,
    name: str = "",
    key: tuple[str, ...] = (),
    unique: tuple[str, ...] = (),
) -> Part:
    first = COLUMNS["workout_id" if table is PAIRS else "recording_id"]
    columns = (first, *table.columns)
    return Part(
        name=name or table.name,
        title=title,
        table=table,
        columns=columns,
        key=key,
        unique=unique,
        links=_find_links(table.name, columns, key),
    )


def _find_links(name: str, columns: tuple[Column, ...], key: tuple[str, ...]) -> tuple[Link, ...]:
    """Return a link for each column that bears the key of another table."""
    return tuple(
        _LINKS[column.name]
        for column in columns
        if column.name in _LINKS and (_LINKS[column.name].part != name or key != (column.name,))
    )


#: Every table of the package, those first that others refer to.
PARTS: Final = (
    _make_stored(tables.DEVICES, "Devices", source=DEVICES_SHOWN),
    _make_stored(tables.WORKOUTS, "Workouts"),
    _make_stored(tables.RECORDINGS, "Recordings"),
    _make_stored(tables.RUNS, "Runs of the pipeline that values come from", source=RUNS_USED),
    _make_stored(tables.ALIGNMENTS, "Clock offsets"),
    _make_stored(tables.SEGMENTS, "Named parts of workouts"),
    _make_stored(tables.SETUPS, "Setups of devices"),
    _make_stored(tables.METRIC_DEFINITIONS, "Definitions of the metrics"),
    _make_stored(
        tables.RESULTS,
        "Results, the newest of each workout",
        source="latest_results",
        key=(),
        unique=("recording_id", "reference", "segment", "metric"),
        by_workout=True,
    ),
    _make_stored(
        tables.FINDINGS,
        "Findings, the newest of each workout",
        source="latest_findings",
        by_workout=True,
    ),
    _make_answered(tables.VERDICTS, "Verdicts across workouts, the newest of each question"),
    _make_answered(tables.LEVELS, "Levels of whole workouts, the newest of each question"),
    _make_answered(
        tables.LIMITS, "Limits of agreement across workouts, the newest of each question"
    ),
    _make_laid(tables.SAMPLES, "Samples at native rate", key=("recording_id", "time_utc")),
    _make_laid(
        tables.PAIRS,
        "A recording and what it is compared with side by side, second by second",
        unique=("recording_id", "reference", "reference_recording_id", "time_utc"),
    ),
    _make_laid(tables.LAPS, "Laps"),
    _make_laid(tables.LENGTHS, "Pool lengths and rests"),
    _make_laid(tables.BEATS, "Heart beats"),
    _make_laid(tables.BATTERY, "Battery readings", name="battery_readings"),
)
