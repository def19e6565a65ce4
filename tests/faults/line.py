"""The plain line of one home, from the inbox to the backup, in processes that may be killed.

Run as `python -m tests.faults.line`, this is a starter: it imports everything once and then forks
a child for each line of its input, `HOME KILL_AT`, so that hundreds of kills do not cost hundreds
of starts. A child prints the name of each stage as it begins, with the time and the number of
changes made to files inside the home so far. With a KILL_AT above zero it kills itself right before
the change of that number (`tests.faults.changes`).
"""

from __future__ import annotations

import os
import sys
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

# Loaded once, so that no child loads them again.
import charset_normalizer  # noqa: F401
import pandas as pd  # noqa: F401
import pyproj  # noqa: F401
import scipy.interpolate
import scipy.ndimage
import scipy.optimize
import scipy.signal
import scipy.spatial
import scipy.stats  # noqa: F401

from config.home import Home
from config.settings import Settings, load_settings
from flows.session.locks import hold_run_lock
from tasks import processing, report, store
from tasks.archive import lake, originals
from tasks.core.discovery import load_metrics, load_readers
from tasks.core.provenance import begin_run
from tasks.ingest import exports, local_times
from tasks.report.files import sweep_unfinished
from tests.faults.changes import Changes

if TYPE_CHECKING:
    from collections.abc import Callable


def run_line(
    home: Home,
    settings: Settings,
    tell: Callable[[str], None] = lambda _stage: None,
    *,
    whole: bool = True,
) -> None:
    """Do what a drop and a night do, stage by stage; `tell` each stage's name as it begins.

    Without `whole`, report, backup and sweeping are left out; sweeping is for whoever is alone.
    """
    tell("finish")
    for known in exports.list_unfinished(home):
        exports.finish_file(known, home=home, settings=settings)
    tell("ingest")
    for path in sorted(home.inbox.rglob("*")):
        if path.is_file():
            file = exports.Dropped(path, path.name)
            exports.ingest_file(file, home=home, settings=settings, move=True)
    tell("notes")
    for known in local_times.decide_again(home, settings):
        exports.finish_file(known, home=home, settings=settings)
    local_times.clear_lake(home)
    tell("lock")
    with hold_run_lock(home, wait_s=60.0, purpose="line"):
        tell("pair")
        run = begin_run("kills", settings_hash=settings.hash_of_values)
        prepared = processing.prepare(home, settings)
        tell("measure")
        outcomes = [
            processing.measure_planned(one, home=home, settings=settings)
            for one in prepared.plan.workouts
        ]
        tell("append")
        processing.commit(prepared, outcomes, run=run, home=home, settings=settings, wait_s=20.0)
        tell("ledger")
        processing.finish(prepared, outcomes, home=home)
        tell("publish")
        store.publish(home, settings)
        if whole:
            tell("report")
            _write_report(home, settings)
    if not whole:
        return
    tell("backup")
    store.backup(home, settings, now=datetime.now(UTC))
    tell("sweep")
    lake.sweep(home.lake, dead_after_s=0.0)
    sweep_unfinished(home.report, dead_after_s=0.0)
    originals.sweep(home)


def _write_report(home: Home, settings: Settings) -> None:
    connection = store.connect_for_reading(home)
    try:
        report.write_report(
            connection,
            home.report,
            settings=settings,
            waiting=report.list_waiting(home.inbox),
            most_figures=0,
        )
    finally:
        connection.close()


def live(root: str, kill_at: int) -> None:
    """Be the child: run the line and tell its stages."""
    os.write(1, f"child {os.getpid()}\n".encode())
    begun = time.monotonic()
    changes = Changes(root, kill_at)

    def tell(stage: str) -> None:
        told = f"stage {stage} {time.monotonic() - begun:.4f} {changes.number}\n"
        os.write(1, told.encode())

    home = Home(Path(root))
    run_line(home, load_settings(home.settings), tell)
    tell("end")


def main() -> None:
    """Fork a child for each line of the input and say how it ended."""
    load_readers()
    load_metrics()
    os.write(1, b"ready\n")
    for line in sys.stdin:
        root, _, kill_at = line.rstrip("\n").rpartition(" ")
        child = os.fork()
        if child == 0:
            code = 1
            try:
                live(root, int(kill_at))
                code = 0
            except BaseException as error:  # noqa: BLE001 - told to whoever asked
                os.write(2, f"{type(error).__name__}: {error}\n".encode())
            os._exit(code)
        _, status = os.waitpid(child, 0)
        os.write(1, f"over {os.waitstatus_to_exitcode(status)}\n".encode())


if __name__ == "__main__":
    main()
