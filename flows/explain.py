"""`coworn explain`: everything known of one file, recording, workout, device, run or metric."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from flows import terminal
from flows.configuration import look_into_home
from tasks.core.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import duckdb
    from rich.console import Console

    from config.home import Home
    from tasks.core.seen import FileRecord

_BLOCK_BYTES: Final = 1 << 20
_FEWEST_DIGITS: Final = 6
#: Tables that know of a workout, and those that know of a recording, in the order of telling.
_OF_WORKOUT: Final = ("recordings", "alignments", "segments", "setups", "latest_findings")
_OF_RECORDING: Final = ("alignments", "latest_findings")
#: What a terminal has room for, by table; everything else answers to `coworn sql`.
_COLUMNS: Final = {
    "recordings": (
        "recording_id device_id start_utc end_utc n_samples clock_shift_s duplicate_of continues "
        "status known_by remarks"
    ),
    "alignments": "recording_id offset_s method confidence note",
    "latest_findings": "device_id reference kind start_utc end_utc size unit note",
}


def explain_thing(what: str, folder: Path | None, *, quiet: bool = False) -> int:
    """Tell what is known of `what`: a path, a file's name, or any id or its beginning.

    Raises: UsageError when nothing is known of it.
    """
    from tasks.store import connect_for_reading, find_published

    home = look_into_home(folder).home
    console = terminal.make_console(quiet=quiet)
    files = _find_files(what, home)
    for file in files:
        _tell_file(file, console=console)
    told = bool(files)
    if find_published(home) is not None:
        connection = connect_for_reading(home)
        try:
            teller = _Teller(connection, console)
            for file in files:
                teller.tell_use_of_notes(file.file_id)
                for recording_id in file.recording_ids:
                    teller.tell_recording(recording_id)
            told = teller.tell_id(what) or told
        finally:
            connection.close()
    if not told:
        raise UsageError(
            f"{what}: nothing is known of it; give a file that was dropped, its name, or an id as "
            "coworn sql shows it"
        )
    return 0


def _find_files(what: str, home: Home) -> list[FileRecord]:
    from tasks.ledger import Ledger

    path = Path(what)
    with Ledger(home) as ledger:
        if path.is_file():
            known = ledger.find_file(_hash(path))
            return [known] if known is not None else []
        named = ledger.find_files_named(path.name)
        if named:
            return named
        if len(what) < _FEWEST_DIGITS:
            return []
        return [file for file in ledger.list_files() if file.file_id.startswith(what)]


def _tell_file(file: FileRecord, *, console: Console) -> None:
    names = [
        f"{seen.name}{'' if seen.folder is None else f' (in {seen.folder})'}" for seen in file.names
    ]
    _tell(
        console,
        f"file {file.name}",
        {
            "file_id": file.file_id,
            "status": file.status,
            "reason": file.reason,
            "format": file.format,
            "bytes": file.bytes,
            "received": file.received_at.isoformat(),
            "dropped as": ", ".join(dict.fromkeys(names)),
            "inside": file.inside,
            "recordings": ", ".join(file.recording_ids) or None,
        },
    )


class _Teller:
    """Tells rows of the published copy."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, console: Console) -> None:
        self._connection = connection
        self._console = console

    def tell_id(self, what: str) -> bool:
        """Tell of whatever has the id `what`; give whether anything has."""
        told = False
        for recording in self._select("recordings", "recording_id", what):
            self.tell_recording(recording["recording_id"])
            told = True
        for workout in self._select("workouts", "workout_id", what):
            self._tell_workout(workout)
            told = True
        for table, column, title in (
            ("devices", "device_id", "device"),
            ("runs", "run_id", "run"),
            ("metric_definitions", "metric", "metric"),
        ):
            for row in self._select(table, column, what):
                _tell(self._console, f"{title} {what}", row)
                told = True
        for row in self._select("recordings", "device_id", what):
            _tell(
                self._console,
                f"recording {row['recording_id']}",
                {key: row[key] for key in ("workout_id", "start_utc", "end_utc", "sport")},
            )
        return told

    def tell_use_of_notes(self, file_id: str) -> None:
        """Tell which workouts' results rest on the notes of a file, if it holds notes."""
        rows = self._select("workouts", "notes_file_id", file_id)
        if rows:
            self._tell_rows("workouts that use these notes", rows, without="notes_file_id")

    def tell_recording(self, recording_id: str) -> None:
        """Tell of one recording, its alignment, its findings and its newest results."""
        for row in self._select("recordings", "recording_id", recording_id):
            _tell(self._console, f"recording {recording_id}", row)
        for table in _OF_RECORDING:
            rows = self._select(table, "recording_id", recording_id)
            if rows:
                self._tell_rows(table, rows, without="recording_id")
        self._tell_results("recording_id", recording_id)

    def _tell_workout(self, workout: Mapping[str, Any]) -> None:
        workout_id = workout["workout_id"]
        _tell(self._console, f"workout {workout_id}", workout)
        for notes in self._select("notes", "file_id", workout["notes_file_id"] or ""):
            _tell(self._console, f"notes {notes['name']}", notes)
        for table in _OF_WORKOUT:
            rows = self._select(table, "workout_id", workout_id)
            if rows:
                self._tell_rows(table, rows, without="workout_id")
        self._tell_results("workout_id", workout_id)

    def _tell_results(self, column: str, key: str) -> None:
        """Tell results with the run, the version and the settings that made them."""
        rows = self._select("latest_results", column, key)
        if not rows:
            return
        for run_id in dict.fromkeys(row["run_id"] for row in rows):
            for run in self._select("runs", "run_id", run_id):
                _tell(self._console, f"results are of run {run_id}", run)
        whole = [row for row in rows if row["segment"] == "all" and row["value"] is not None]
        terminal.show_table(
            self._console,
            ("device", "against", "metric", "version", "value", "n", "note"),
            [
                (
                    row["device_id"],
                    row["reference"],
                    row["metric"],
                    row["metric_version"],
                    f"{row['value']:.6g} {_show_unit(row['unit'])}".rstrip(),
                    row["n"],
                    row["note"],
                )
                for row in whole
            ],
            right=("version", "value", "n"),
        )
        if len(whole) < len(rows):
            self._console.print(
                f"{len(rows) - len(whole)} further rows are of parts of the workout, or say why "
                f"there is no value: coworn sql \"FROM latest_results WHERE {column} = '{key}'\""
            )

    def _tell_rows(self, title: str, rows: Sequence[Mapping[str, Any]], *, without: str) -> None:
        offered = _COLUMNS[title].split() if title in _COLUMNS else rows[0]
        filled = [
            name
            for name in offered
            if name not in {without, "run_id"} and any(row[name] is not None for row in rows)
        ]
        self._console.print(f"\n{title}")
        terminal.show_table(
            self._console, filled, [[_show(row[name]) for name in filled] for row in rows]
        )

    def _select(self, table: str, column: str, key: str) -> list[dict[str, Any]]:
        """Give the rows of `table` whose `column` is `key`; both names are this module's own."""
        answer = self._connection.execute(
            f"SELECT * FROM {table} WHERE {column} = ?",  # noqa: S608 - names of this module
            [key],
        )
        names = [part[0] for part in answer.description or ()]
        return [dict(zip(names, row, strict=True)) for row in answer.fetchall()]


def _tell(console: Console, title: str, facts: Mapping[str, object]) -> None:
    console.print(f"\n{terminal.clean(title)}")
    for name, value in facts.items():
        if value is not None:
            console.print(f"  {name:<18} {terminal.clean(_show(value))}")


def _show(value: object) -> str:
    isoformat = getattr(value, "isoformat", None)
    if isoformat is not None:
        return str(isoformat())
    if isinstance(value, float):
        return f"{value:.6g}"
    return "" if value is None else str(value).replace("\n", "; ")


def _show_unit(unit: str | None) -> str:
    """Leave out the unit of a plain number."""
    return "" if unit in (None, "1") else str(unit)


def _hash(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(_BLOCK_BYTES):
            digest.update(block)
    return digest.hexdigest()
