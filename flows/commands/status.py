"""`coworn status`, `coworn devices` and `coworn metrics`: what is known, as tables."""

from __future__ import annotations

import fnmatch
from collections import Counter
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from flows.console import terminal
from flows.session.home import open_existing_home
from flows.session.locks import RUN, describe_holder, is_held, is_watched
from tasks.core.folders import scan_folder

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    import duckdb
    from rich.console import Console

    from config.home import Home
    from flows.session.home import Opened
    from tasks.core.file_records import FileRecord

#: Refused files that `coworn status` lists.
_SHOWN: Final = 20
#: Names that a line of `coworn status` gives.
_NAMED: Final = 3
#: Where the words of `coworn status` begin [characters].
_INDENT: Final = 11
#: What `coworn devices` says below its table.
_ABOUT_REFERENCES: Final = (
    "reference for: what other devices are judged by. A device with the role reference is one for "
    "all that it recorded, a strap at chest or arm for heart rate only; reference_for in "
    'devices.toml says otherwise, e.g. reference_for = ["distance", "altitude"] (of heart_rate, '
    "position, altitude, and distance with speed). A reference is not judged by what it judges: "
    "only by truth, a course and other references."
)


def show_status(folder: Path | None, *, workouts: int, quiet: bool = False) -> int:
    """Say what waits, what was refused and why, what ran last, what is outdated.

    The main numbers of the newest `workouts` follow, newest first.
    """
    from tasks.archive.ledger import LAST_NIGHTLY, Ledger
    from tasks.archive.originals import is_being_written

    opened = open_existing_home(folder)
    home = opened.home
    console = terminal.make_console(quiet=quiet)
    with Ledger(home) as ledger:
        files = ledger.list_files()
        unsettled = ledger.unsettled()
        nightly = ledger.recall(LAST_NIGHTLY)
    console.print(f"home       {terminal.clean(home.root)}")
    if (index := home.report / "index.html").exists():
        console.print(f"pages      {terminal.clean(index)}")
    console.print(f"watcher    {'running' if is_watched(home) else 'not running'}")
    if is_held(home, RUN):
        console.print(f"at work    {terminal.clean(describe_holder(home, RUN))}")
    waiting = sorted(scan_folder(home.inbox), key=lambda path: path.name)
    names = [path.name for path in waiting]
    console.print(f"inbox      {_count_some(names) if names else 'nothing'} waiting")
    if held := [path.name for path in waiting if is_being_written(path)]:
        console.print(f"held open  {_count_some(held)}, by another program: taken when it lets go")
    counts = Counter(file.status for file in files)
    words = ", ".join(f"{number} {status}" for status, number in sorted(counts.items()))
    console.print(f"files      {words or 'none yet'}")
    unfinished = counts["archived"]
    if unfinished:
        console.print(f"unfinished {unfinished}: coworn nightly takes them up again")
    if unsettled:
        console.print(f"unsettled  {len(unsettled)} recordings: the next run settles them")
    console.print(
        f"nightly    {_show_instant(nightly)}, daily at {opened.settings.time.nightly_at}"
    )
    total = _show_results(opened, console)
    _show_refused(files, console)
    _show_workouts(home, console, shown=workouts, total=total)
    return 0


def show_devices(folder: Path | None, *, quiet: bool = False) -> int:
    """List devices, and exports whose device is not known yet."""
    from tasks.store import connect_for_reading, find_published, run_query

    opened = open_existing_home(folder)
    home = opened.home
    console = terminal.make_console(quiet=quiet)
    recorded: Counter[str] = Counter()
    unknown: list[dict[str, str]] = []
    if find_published(home) is not None:
        connection = connect_for_reading(home)
        try:
            rows = run_query(
                connection,
                "SELECT recordings.device_id, devices.name AS device, files.name AS file, "
                "recordings.serial, recordings.creator, files.folder FROM recordings "
                "LEFT JOIN devices USING (device_id) LEFT JOIN files USING (file_id) "
                "ORDER BY recordings.device_id, files.name",
            ).to_pylist()
        finally:
            connection.close()
        recorded.update(row["device_id"] for row in rows)
        unknown = [row for row in rows if fnmatch.fnmatch(row["device_id"], "unknown-*")]
    terminal.show_table(
        console,
        ("device", "name", "role", "site", "heart rate", "reference for", "recordings"),
        [
            (
                device.id,
                device.name,
                device.role,
                device.site,
                device.heart_rate,
                ", ".join(device.channels_as_reference) or "-",
                recorded[device.id],
            )
            for device in opened.devices
        ],
        right=("recordings",),
        whole=("device", "role"),
    )
    if opened.devices:
        console.print()
        terminal.show_wrapped(console, _ABOUT_REFERENCES, indent=0)
    if unknown:
        console.print("\nnot named yet; add a [[device]] with a match rule to devices.toml:")
        terminal.show_table(
            console,
            ("device", "export", "serial", "folder", "creator"),
            [
                (row["device_id"], row["file"], row["serial"], row["folder"], row["creator"])
                for row in unknown
            ],
            whole=("device", "serial"),
        )
    return 0


def show_metrics(*, quiet: bool = False) -> int:
    """List the catalogue of metrics."""
    from tasks.core.discovery import load_metrics
    from tasks.core.registers import METRICS

    load_metrics()
    console = terminal.make_console(quiet=quiet)
    for metric in sorted(METRICS.values(), key=lambda one: (one.domain, one.id)):
        console.print(f"{metric.id}  [{metric.unit}]  version {metric.version}, {metric.domain}")
        for line in (
            f"  {metric.title}: {metric.definition}",
            f"  formula: {metric.formula}",
            f"  source: {metric.source}",
        ):
            terminal.show_wrapped(console, line, indent=4)
        console.print()
    return 0


def _show_results(opened: Opened, console: Console) -> int:
    """Say what there is, what ran last and what is to be done; give the number of workouts."""
    from tasks.processing import find_pending_workouts
    from tasks.store import connect_for_reading, find_published

    if find_published(opened.home) is None:
        console.print("last run   none yet")
        return 0
    connection = connect_for_reading(opened.home)
    try:
        run = connection.execute(
            "SELECT run_id, flow, ended_at FROM runs ORDER BY started_at DESC LIMIT 1"
        ).fetchone()
        (workouts,) = connection.execute("SELECT count(*) FROM workouts").fetchone() or (0,)
        (recordings,) = connection.execute("SELECT count(*) FROM recordings").fetchone() or (0,)
        ahead = find_pending_workouts(connection, opened.home, opened.settings)
        unused = _list_unused_notes(connection)
        doubtful = _list_doubtful(connection)
    finally:
        connection.close()
    if run is not None:
        ended = run[2].astimezone().strftime("%Y-%m-%d %H:%M:%S")
        console.print(f"last run   {run[0]} ({run[1]}), ended {ended}")
    console.print(f"results    {workouts} workouts, {recordings} recordings")
    if ahead.devices_changed:
        console.print("devices    devices.toml has changed: the next run looks at every workout")
    if ahead.new_notes:
        console.print(f"new notes  {_count_some(ahead.new_notes)}: the next run reads them")
    if unused:
        words = (
            f"notes      {_count_some(unused)} without effect: they fit no workout, or newer ones "
            "replaced them (coworn sql unused-notes)"
        )
        terminal.show_wrapped(console, words, indent=_INDENT)
    if doubtful:
        words = (
            f"references {_count_some(doubtful)}: two references of the distance disagree "
            "(coworn sql disagreeing-references)"
        )
        terminal.show_wrapped(console, words, indent=_INDENT)
    outdated = ahead.outdated
    words = f"{_count_some(outdated)}: coworn nightly measures them again" if outdated else "none"
    terminal.show_wrapped(console, f"outdated   {words}", indent=_INDENT)
    return int(workouts)


def _list_unused_notes(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Return the names of notes that no result rests on, newest first."""
    from tasks.store import load_saved_queries

    rows = connection.execute(load_saved_queries()["unused-notes"].sql).fetchall()
    return [row[0] for row in reversed(rows)]


def _list_doubtful(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Return the workouts in which two references disagree, newest first."""
    rows = connection.execute(
        "SELECT DISTINCT workout_id FROM latest_findings WHERE kind = 'references_disagree' "
        "ORDER BY workout_id DESC"
    ).fetchall()
    return [workout_id for (workout_id,) in rows]


def _show_workouts(home: Home, console: Console, *, shown: int, total: int) -> None:
    from flows.console.results_table import read_main_rows, show_main_rows

    if not shown or not total:
        return
    console.print()
    show_main_rows(read_main_rows(home, newest=shown), console=console, newest_first=True)
    if shown < total:
        console.print(
            f"{total - shown} older ones: coworn status --workouts {total} shows them, too"
        )


def _show_refused(files: Sequence[FileRecord], console: Console) -> None:
    refused = [file for file in files if file.status == "refused"]
    if not refused:
        return
    newest = sorted(refused, key=lambda file: file.received_at, reverse=True)[:_SHOWN]
    console.print(f"\nrefused ({len(refused)}), newest first:")
    for file in newest:
        terminal.show_wrapped(console, f"  {file.name}: {file.reason or ''}", indent=4)


def _count_some(names: Sequence[str]) -> str:
    """Return how many there are and the first few by name."""
    more = ", ..." if len(names) > _NAMED else ""
    named = ", ".join(terminal.clean(name) for name in names[:_NAMED])
    return f"{len(names)} ({named}{more})"


def _show_instant(text: str | None) -> str:
    if text is None:
        return "never ran"
    instant = datetime.fromisoformat(text)
    if instant.tzinfo is None:
        instant = instant.replace(tzinfo=UTC)
    return f"last {instant.astimezone():%Y-%m-%d %H:%M}"
