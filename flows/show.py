"""`coworn status`, `coworn devices` and `coworn metrics`: what is known, as tables."""

from __future__ import annotations

import fnmatch
from collections import Counter
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from flows import terminal
from flows.configuration import look_into_home
from flows.inbox import scan_folder
from flows.locks import RUN, describe_holder, is_held, is_watched
from flows.watch import LAST_NIGHTLY

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from rich.console import Console

    from config.home import Home
    from flows.configuration import Opened
    from tasks.core.seen import FileRecord

#: Refused files that `coworn status` lists.
_SHOWN: Final = 20


def show_status(folder: Path | None, *, quiet: bool = False) -> int:
    """Say what waits, what was refused and why, what ran last, what is outdated."""
    from tasks.ledger import Ledger

    opened = look_into_home(folder)
    home = opened.home
    console = terminal.make_console(quiet=quiet)
    with Ledger(home) as ledger:
        files = ledger.list_files()
        unsettled = ledger.unsettled()
        nightly = ledger.recall(LAST_NIGHTLY)
    console.print(f"home       {terminal.clean(home.root)}")
    console.print(f"watcher    {'running' if is_watched(home) else 'not running'}")
    if is_held(home, RUN):
        console.print(f"at work    {terminal.clean(describe_holder(home, RUN))}")
    waiting = scan_folder(home.inbox)
    console.print(f"inbox      {len(waiting)} waiting{_list_some(waiting)}")
    counts = Counter(file.status for file in files)
    words = ", ".join(f"{number} {status}" for status, number in sorted(counts.items()))
    console.print(f"files      {words or 'none yet'}")
    unfinished = counts["archived"]
    if unfinished:
        console.print(f"unfinished {unfinished}: coworn nightly takes them up again")
    if unsettled:
        console.print(f"unsettled  {len(unsettled)} recordings: the next run settles them")
    _show_runs(home, console)
    console.print(
        f"nightly    {_show_instant(nightly)}, daily at {opened.settings.time.nightly_at}"
    )
    _show_outdated(opened, console)
    _show_refused(files, console)
    return 0


def show_devices(folder: Path | None, *, quiet: bool = False) -> int:
    """List devices, and exports whose device is not known yet."""
    from tasks.store import connect_for_reading, find_published, run_query

    opened = look_into_home(folder)
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
        ("device", "name", "role", "site", "heart rate", "recordings"),
        [
            (
                device.id,
                device.name,
                device.role,
                device.site,
                device.heart_rate,
                recorded[device.id],
            )
            for device in opened.devices
        ],
        right=("recordings",),
    )
    if unknown:
        console.print("\nnot named yet; add a [[device]] with a match rule to devices.toml:")
        terminal.show_table(
            console,
            ("device", "export", "serial", "folder", "creator"),
            [
                (row["device_id"], row["file"], row["serial"], row["folder"], row["creator"])
                for row in unknown
            ],
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
        console.print(f"  {metric.title}: {metric.definition}")
        console.print(f"  formula: {metric.formula}")
        console.print(f"  source: {metric.source}\n")
    return 0


def _show_runs(home: Home, console: Console) -> None:
    from tasks.store import connect_for_reading, find_published, run_query

    if find_published(home) is None:
        console.print("last run   none yet")
        return
    connection = connect_for_reading(home)
    try:
        runs = run_query(
            connection, "SELECT run_id, flow, ended_at FROM runs ORDER BY started_at DESC LIMIT 1"
        ).to_pylist()
        totals = run_query(
            connection,
            "SELECT (SELECT count(*) FROM workouts) AS workouts, "
            "(SELECT count(*) FROM recordings) AS recordings",
        ).to_pylist()[0]
    finally:
        connection.close()
    console.print(f"results    {totals['workouts']} workouts, {totals['recordings']} recordings")
    for run in runs:
        ended = run["ended_at"].astimezone().strftime("%Y-%m-%d %H:%M:%S")
        console.print(f"last run   {run['run_id']} ({run['flow']}), ended {ended}")


def _show_outdated(opened: Opened, console: Console) -> None:
    """Say which workouts the next nightly run measures again: it plans, and measures nothing."""
    from tasks.settle import prepare
    from tasks.store import find_published

    if find_published(opened.home) is None:
        return
    outdated = prepare(opened.home, opened.settings, everything=True).plan.workouts
    names = ", ".join(workout.workout_id for workout in outdated[:_SHOWN])
    words = f"{len(outdated)}: coworn nightly measures them again ({names})" if names else "none"
    console.print(f"outdated   {words}")


def _show_refused(files: Sequence[FileRecord], console: Console) -> None:
    refused = [file for file in files if file.status == "refused"]
    if not refused:
        return
    newest = sorted(refused, key=lambda file: file.received_at, reverse=True)[:_SHOWN]
    console.print(f"\nrefused ({len(refused)}), newest first:")
    for file in newest:
        console.print(f"  {terminal.clean(file.name)}: {terminal.clean(file.reason or '')}")


def _list_some(paths: Iterable[Path]) -> str:
    names = sorted(terminal.clean(path.name) for path in paths)
    if not names:
        return ""
    more = ", ..." if len(names) > 5 else ""  # noqa: PLR2004 - as many as fit a line
    return f" ({', '.join(names[:5])}{more})"


def _show_instant(text: str | None) -> str:
    if text is None:
        return "never ran"
    instant = datetime.fromisoformat(text)
    if instant.tzinfo is None:
        instant = instant.replace(tzinfo=UTC)
    return f"last {instant.astimezone():%Y-%m-%d %H:%M}"
