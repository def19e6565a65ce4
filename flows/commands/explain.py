"""`coworn explain`: everything known of one file, recording, workout, device, run or metric."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from flows.commands.declare import Options, command
from flows.console import terminal
from flows.console.sentences import (
    introduce_device,
    introduce_metric,
    introduce_recording,
    introduce_run,
    introduce_workout,
    show_value,
)
from tasks.core.errors import UsageError
from tasks.core.wording import count
from tasks.tables.fetch import fetch_rows

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import duckdb
    from rich.console import Console

    from config.home import Home
    from tasks.core.file_records import FileRecord
    from tasks.report.facts import FindingFacts

_FEWEST_DIGITS: Final = 6
#: Tables that know of a workout, and those that know of a recording, in the order of their
#: appearance.
_OF_WORKOUT: Final = ("recordings", "alignments", "segments", "setups", "latest_findings")
_OF_RECORDING: Final = ("alignments", "latest_findings")
#: What a terminal has room for, by table; everything else answers to `coworn sql`.
_COLUMNS: Final = {"alignments": "recording_id offset_s method confidence note"}
_OF_RECORDINGS: Final = (
    "n_samples",
    "clock_shift_s",
    "duplicate_of",
    "continues",
    "status",
    "known_by",
    "remarks",
)
#: Findings that are shown; there may be hundreds.
_MOST_FINDINGS: Final = 15


@command()
def explain(
    options: Options,
    what: Annotated[str, typer.Argument(metavar="PATH-or-ID", help="A file, or any id.")],
) -> int:
    """Show everything that is known of one file, recording, workout, device, run or metric.

    Takes a path, a file's name, or any id or its beginning.
    Raises: UsageError when nothing is known of it.
    """
    from flows.session.home import open_existing_home
    from tasks.store import connect_for_reading, find_published

    session = open_existing_home(options.home)
    home = session.home
    console = options.make_console()
    files = _find_files(what, home)
    for file in files:
        _explain_file(file, console=console)
    is_known = bool(files)
    if find_published(home) is not None:
        connection = connect_for_reading(home, statement="")
        try:
            rows = _Rows(connection, console, session.settings.report.units)
            for file in files:
                rows.show_use_of_notes(file.file_id)
                for recording_id in file.recording_ids:
                    rows.show_recording(recording_id)
            is_known = rows.show_id(what) or is_known
        finally:
            connection.close()
    if not is_known:
        raise UsageError(
            f"{what}: nothing is known of it; give a file that was dropped, its name, or an id as "
            "coworn sql shows it"
        )
    return 0


def _find_files(what: str, home: Home) -> list[FileRecord]:
    from tasks.archive.ledger import Ledger
    from tasks.archive.originals import hash_file

    path = Path(what)
    with Ledger(home) as ledger:
        if path.is_file():
            known = ledger.find_file(hash_file(path))
            return [known] if known is not None else []
        named = ledger.find_files_named(path.name)
        if named:
            return named
        if len(what) < _FEWEST_DIGITS:
            return []
        return [file for file in ledger.list_files() if file.file_id.startswith(what)]


def _explain_file(file: FileRecord, *, console: Console) -> None:
    names = [
        f"{seen.name}{'' if seen.folder is None else f' (in {seen.folder})'}" for seen in file.names
    ]
    _show_facts(
        console,
        _introduce_file(file),
        {
            "file_id": file.file_id,
            "status": file.status,
            "reason": file.reason,
            "format": file.format,
            "bytes": file.bytes,
            "received": file.received_at,
            "dropped as": ", ".join(dict.fromkeys(names)),
            "inside": file.inside,
            "recordings": ", ".join(file.recording_ids) or None,
        },
    )


class _Rows:
    """Shows rows of the published copy."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, console: Console, units: str) -> None:
        self._connection = connection
        self._console = console
        self._units = units

    def show_id(self, what: str) -> bool:
        """Show whatever has the id `what`; return whether anything has."""
        is_known = False
        for recording in self._select("recordings", "recording_id", what):
            self.show_recording(recording["recording_id"])
            is_known = True
        for workout in self._select("workouts", "workout_id", what):
            self._show_workout(workout)
            is_known = True
        for table, column, introduce in (
            ("devices", "device_id", introduce_device),
            ("runs", "run_id", introduce_run),
            ("metric_definitions", "metric", introduce_metric),
        ):
            for row in self._select(table, column, what):
                _show_facts(self._console, introduce(row), row)
                is_known = True
        for row in self._select("recordings", "device_id", what):
            _show_facts(
                self._console,
                introduce_recording(row),
                {key: row[key] for key in ("workout_id", "start_utc", "end_utc", "sport")},
            )
        return is_known

    def show_use_of_notes(self, file_id: str) -> None:
        """Show which workouts' results rest on the notes of a file, if it holds notes."""
        rows = self._select("workouts", "notes_file_id", file_id)
        if rows:
            self._show_rows("workouts that use these notes", rows, without="notes_file_id")

    def show_recording(self, recording_id: str) -> None:
        """Show one recording, its alignment, its findings and its newest results."""
        for row in self._select("recordings", "recording_id", recording_id):
            _show_facts(self._console, introduce_recording(row), row)
        for table in _OF_RECORDING:
            self._show_table(table, "recording_id", recording_id)
        self._show_results("recording_id", recording_id)

    def _show_workout(self, workout: Mapping[str, Any]) -> None:
        workout_id = workout["workout_id"]
        _show_facts(self._console, introduce_workout(workout), workout)
        for notes in self._select("notes", "file_id", workout["notes_file_id"] or ""):
            _show_facts(self._console, f"Its notes are {notes['name']}.", notes)
        for table in _OF_WORKOUT:
            self._show_table(table, "workout_id", workout_id)
        self._show_results("workout_id", workout_id)

    def _show_table(self, table: str, column: str, key: str) -> None:
        rows = self._select(table, column, key)
        if not rows:
            return
        if table == "latest_findings":
            self._show_findings(rows, column=column, key=key)
        elif table == "recordings":
            self._show_recordings(rows)
        else:
            self._show_rows(table, rows, without=column)

    def _show_results(self, column: str, key: str) -> None:
        """Show results with the run, the version and the settings that made them."""
        rows = self._select("latest_results", column, key)
        if not rows:
            return
        for run_id in dict.fromkeys(row["run_id"] for row in rows):
            for run in self._select("runs", "run_id", run_id):
                _show_facts(self._console, f"The results are of run {run_id}.", run)
        whole = [row for row in rows if row["segment"] == "all" and row["value"] is not None]
        self._show_values(whole)
        if len(whole) < len(rows):
            self._say(
                f"{len(rows) - len(whole)} further rows are of parts of the workout, or say why "
                f"there is no value: coworn sql \"FROM latest_results WHERE {column} = '{key}'\"",
                indent=2,
            )

    def _show_values(self, rows: Sequence[Mapping[str, Any]]) -> None:
        """Show values under what they are compared with; a remark stands below its value."""
        shown = [(row, f"{row['value']:.6g} {_show_unit(row['unit'])}".rstrip()) for row in rows]
        name = max((len(row["metric"]) for row in rows), default=0)
        room = max((len(text) for _, text in shown), default=0)
        before = None
        for row, text in sorted(
            shown, key=lambda one: (one[0]["device_id"], one[0]["reference"] or "")
        ):
            title = f"{row['device_id']} compared with {row['reference']}"
            if row["reference_kind"] == "comparison":
                title = f"{row['device_id']} differs from {row['reference']} by (no reference)"
            if row["reference"] is None:
                title = f"{row['device_id']}, compared with nothing"
            if title != before:
                self._console.print(f"\n{terminal.clean(title)}")
                before = title
            count = "" if row["n"] is None else f"  n {row['n']}"
            line = f"  {row['metric']:<{name}}  {text:>{room}}  version {row['metric_version']}"
            self._console.print(f"{line}{count}")
            if row["note"]:
                self._say(f"      {row['note']}", indent=6)

    def _show_findings(self, rows: Sequence[Mapping[str, Any]], *, column: str, key: str) -> None:
        """Show findings in words, in UTC."""
        from tasks.report.words import describe_event

        self._console.print(f"\nfindings ({len(rows)}), times in UTC")
        facts = sorted((_make_finding(row) for row in rows), key=lambda one: one.start_s)
        for one in facts[:_MOST_FINDINGS]:
            said = describe_event(one, local_offset_s=0, units=self._units)
            against = "" if one.reference is None else f" (against {one.reference})"
            self._say(f"  {one.device_id} {said}{against}", indent=4)
        if len(rows) > _MOST_FINDINGS:
            self._say(
                f'  {len(rows) - _MOST_FINDINGS} more: coworn sql "FROM latest_findings WHERE '
                f"{column} = '{key}'\"",
                indent=4,
            )

    def _show_recordings(self, rows: Sequence[Mapping[str, Any]]) -> None:
        self._console.print("\nrecordings")
        for row in rows:
            span = f"{show_value(row['start_utc'])} to {show_value(row['end_utc'])}"
            self._say(f"  {row['recording_id']}  {row['device_id']}  {span}", indent=4)
            facts = [
                f"{key} {show_value(row[key])}".replace("\n", "; ")
                for key in _OF_RECORDINGS
                if row[key] is not None
            ]
            self._say(f"      {', '.join(facts)}", indent=6)

    def _say(self, text: str, *, indent: int) -> None:
        terminal.show_wrapped(self._console, text, indent=indent)

    def _show_rows(self, title: str, rows: Sequence[Mapping[str, Any]], *, without: str) -> None:
        offered = _COLUMNS[title].split() if title in _COLUMNS else rows[0]
        filled = [
            name
            for name in offered
            if name not in {without, "run_id"} and any(row[name] is not None for row in rows)
        ]
        self._console.print(f"\n{title}")
        terminal.show_table(
            self._console,
            filled,
            [[show_value(row[name]).replace("\n", "; ") for name in filled] for row in rows],
            whole=("recording_id", "device_id", "workout_id"),
        )

    def _select(self, table: str, column: str, key: str) -> list[dict[str, Any]]:
        """Return the rows of `table` whose `column` is `key`; both names are this module's own."""
        return fetch_rows(
            self._connection,
            f"SELECT * FROM {table} WHERE {column} = ?",  # noqa: S608 - names of this module
            [key],
        )


def _introduce_file(file: FileRecord) -> str:
    """Return what became of a file, in one sentence."""
    if file.status == "archived":
        return f"{file.name} is archived but not read yet; coworn nightly takes it up."
    if file.status in {"refused", "duplicate"}:
        return f"{file.name} is {'a ' if file.status == 'duplicate' else ''}{file.status}."
    read = "" if file.format is None else f", read as {file.format}"
    return f"{file.name} is {file.status}{read}: {count(len(file.recording_ids), 'recording')}."


def _show_facts(console: Console, sentence: str, facts: Mapping[str, object]) -> None:
    console.print()
    terminal.show_wrapped(console, sentence, indent=0)
    for name, value in facts.items():
        if value is not None:
            first, *others = str(show_value(value)).splitlines() or [""]
            terminal.show_wrapped(console, f"  {name:<18} {first}", indent=21)
            for line in others:
                terminal.show_wrapped(console, f"{' ' * 21}{line}", indent=21)


def _make_finding(row: Mapping[str, Any]) -> FindingFacts:
    from tasks.report.facts import FindingFacts

    same = {key: row[key] for key in FindingFacts.__dataclass_fields__ if key in row}
    start, end = row["start_utc"].timestamp(), row["end_utc"].timestamp()
    return FindingFacts(**same, start_s=start, end_s=end)


def _show_unit(unit: str | None) -> str:
    """Leave out the unit of a plain number."""
    return "" if unit in (None, "1") else str(unit)
