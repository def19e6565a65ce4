"""Prefect's flows that make everything again, and that put a backup in place."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - Prefect resolves the annotations at run time
from typing import cast

from prefect import flow
from prefect.states import Cancelled

from flows.artifacts import show_artifact, show_progress
from flows.engine.cancelling import RunCancelledError
from flows.run_events import emit_events
from flows.run_reports import DropReport, RebuildReport, RestoreReport
from flows.run_states import end_run, name_run
from flows.runs.rebuild import run_rebuild, run_restore
from flows.session.home import open_home
from flows.session.log import begin_log
from tasks.core.provenance import find_version


@flow(
    name="rebuild",
    flow_run_name=lambda: name_run("rebuild"),
    version=find_version(),
    persist_result=False,
)
def rebuild(home: Path | None = None) -> RebuildReport:
    """Read every original again into a new lake and a new store, then put them in place.

    A run that is cancelled before that leaves everything as it was.

    Args:
        home: The home folder, on the machine that runs it; empty: COWORN_HOME, else ~/coworn.
    """
    session = open_home(home)
    begin_log(session.home)
    with show_progress("rebuild", n_files=None, settings=session.settings.run):
        try:
            report = run_rebuild(session)
        except RunCancelledError:
            return cast("RebuildReport", Cancelled(message="everything is as it was"))
    show_artifact(DropReport(report.outcomes, report.workout_run), session=session)
    emit_events(report.outcomes, report.workout_run, home=session.home)
    return cast("RebuildReport", end_run(report))


@flow(
    name="restore",
    flow_run_name=lambda: name_run("restore"),
    version=find_version(),
    persist_result=False,
)
def restore(backup: Path, home: Path | None = None) -> RestoreReport:
    """Put the store of a backup in place, then process all that it does not know.

    Args:
        backup: The backup, one of backups/store-*.duckdb of the home.
        home: The home folder, on the machine that runs it; empty: COWORN_HOME, else ~/coworn.
    """
    session = open_home(home)
    begin_log(session.home)
    return run_restore(session, backup)
