"""`coworn status`: what waits, what was refused, what is outdated, and what to do next."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, Final

import typer

from flows.commands.declare import Options, command
from flows.console import terminal
from tasks.core.folders import scan_folder
from tasks.core.wording import count

if TYPE_CHECKING:
    from collections.abc import Sequence

    import duckdb
    from rich.console import Console

    from config.home import Home
    from config.session import Session
    from tasks.core.file_records import FileRecord

#: Refused files that `coworn status` lists.
_SHOWN: Final = 20
#: Names that a line of `coworn status` gives.
_NAMED: Final = 3
#: Where the words of `coworn status` begin [characters].
_INDENT: Final = 11


@command()
def status(
    options: Options,
    workouts: Annotated[
        int,
        typer.Option(
            "--workouts", metavar="N", min=0, help="How many of the newest workouts to show."
        ),
    ] = 5,
) -> int:
    """Say what waits, what was refused and what is outdated; show the newest workouts' numbers.

    The last lines say what to do next.
    """
    from flows.session.home import open_existing_home
    from flows.session.locks import RUN, describe_holder, is_held, is_watched
    from tasks.archive.ledger import LAST_AWAY, LAST_NIGHTLY, Ledger
    from tasks.archive.originals import is_being_written
    from tasks.archive.rot import list_damaged

    session = open_existing_home(options.home)
    home = session.home
    console = options.make_console()
    with Ledger(home) as ledger:
        files = ledger.list_files()
        unsettled = ledger.unsettled()
        nightly = ledger.recall(LAST_NIGHTLY)
        away = ledger.recall(LAST_AWAY)
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
    for name, path in list_damaged(home):
        console.print(
            f"damaged    {terminal.clean(name)}: its original {path} is no longer what was "
            "archived; drop the file again"
        )
    unfinished = counts["archived"]
    if unfinished:
        console.print(f"unfinished {unfinished}: coworn nightly takes them up again")
    if unsettled:
        console.print(
            f"unmeasured {count(len(unsettled), 'recording')}: the next run measures them"
        )
    console.print(
        f"nightly    {_show_instant(nightly)}, daily at {session.settings.time.nightly_at}"
    )
    _show_backups(session, console, away=away)
    results = _show_results(session, console)
    _show_refused(files, console)
    _show_workouts(home, console, shown=workouts, total=results.workouts)
    watched = is_watched(home)
    _show_next_steps(
        console,
        _list_next_steps(
            home,
            results,
            n_waiting=0 if watched else len(names),
            n_unfinished=unfinished + len(unsettled),
            n_refused=counts["refused"],
        ),
    )
    return 0


@dataclass(frozen=True)
class _Results:
    """What the published copy holds: how many workouts, which are outdated, unnamed devices."""

    workouts: int = 0
    has_outdated: bool = False
    unknown_devices: int = 0


def _list_next_steps(
    home: Home, results: _Results, *, n_waiting: int, n_unfinished: int, n_refused: int
) -> list[str]:
    """Return what a person can do now, the most useful first."""
    steps = []
    if n_waiting:
        steps.append(f"coworn watch takes in {count(n_waiting, 'file')} of the inbox")
    if n_unfinished or results.has_outdated:
        steps.append("coworn nightly measures what is unfinished or outdated")
    if results.unknown_devices:
        steps.append(
            f"describe {count(results.unknown_devices, 'unknown device')} in {home.devices.name} "
            "(coworn devices --write adds entries for them)"
        )
    if n_refused:
        steps.append(
            f"read why {count(n_refused, 'file')} {'was' if n_refused == 1 else 'were'} refused, "
            "above; correct and drop again what you need"
        )
    if not steps and not results.workouts:
        steps.append(f"drop exports into {home.inbox} and start coworn watch")
    if not steps:
        steps.append("nothing has to be done")
    return steps


def _show_next_steps(console: Console, steps: Sequence[str]) -> None:
    console.print()
    for number, step in enumerate(steps):
        terminal.show_wrapped(console, f"{'' if number else 'next':<11}{step}", indent=_INDENT)


def _show_results(session: Session, console: Console) -> _Results:
    """Say what there is, what ran last and what is to be done."""
    from tasks.processing import find_pending_workouts
    from tasks.processing.describe import list_undescribed
    from tasks.store import connect_for_reading, find_published

    if find_published(session.home) is None:
        console.print("last run   none yet")
        return _Results()
    connection = connect_for_reading(session.home, statement="")
    try:
        run = connection.execute(
            "SELECT run_id, flow, ended_at FROM runs ORDER BY started_at DESC LIMIT 1"
        ).fetchone()
        (workouts,) = connection.execute("SELECT count(*) FROM workouts").fetchone() or (0,)
        (recordings,) = connection.execute("SELECT count(*) FROM recordings").fetchone() or (0,)
        unknown = {row["device_id"] for row in list_undescribed(connection, session.devices)}
        pending = find_pending_workouts(connection, session.home, session.settings)
        unused = _list_unused_notes(connection)
        doubtful = _list_doubtful(connection)
    finally:
        connection.close()
    if run is not None:
        ended = run[2].astimezone().strftime("%Y-%m-%d %H:%M:%S")
        console.print(f"last run   {run[0]} ({run[1]}), ended {ended}")
    console.print(f"results    {count(workouts, 'workout')}, {count(recordings, 'recording')}")
    if pending.devices_changed:
        console.print("devices    devices.toml has changed: the next run looks at every workout")
    if pending.new_notes:
        console.print(f"new notes  {_count_some(pending.new_notes)}: the next run reads them")
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
    outdated = pending.outdated
    words = f"{_count_some(outdated)}: coworn nightly measures them again" if outdated else "none"
    terminal.show_wrapped(console, f"outdated   {words}", indent=_INDENT)
    has_outdated = bool(outdated or pending.new_notes or pending.devices_changed)
    return _Results(int(workouts), has_outdated, len(unknown))


def _list_unused_notes(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Return the names of notes that no result rests on, newest first."""
    from tasks.store import load_saved_queries

    rows = connection.execute(load_saved_queries()["unused-notes"].sql).fetchall()
    return [row[0] for row in reversed(rows)]


def _list_doubtful(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Return the workouts in which two references disagree, newest first."""
    rows = connection.execute(
        "SELECT DISTINCT workout_id FROM latest_findings "
        "WHERE ends_with(kind, 'references_disagree') ORDER BY workout_id DESC"
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


def _show_backups(session: Session, console: Console, *, away: str | None) -> None:
    """Say where backups lie: those in `backups/` do not outlive the disk."""
    if away is not None:
        instant, _, place = away.partition(" ")
        words = f"{_show_instant(instant)}, to {terminal.clean(place)}"
    elif session.settings.backup.to:
        words = f"none yet in {terminal.clean(session.settings.backup.to)}: the night makes one"
    else:
        words = "only on the disk of the home; set backup.to, or coworn backup --to FOLDER"
    terminal.show_wrapped(console, f"backups    {words}", indent=_INDENT)


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
