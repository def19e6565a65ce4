"""Prefect's flow of one drop."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path  # noqa: TC003 - Prefect resolves the annotations at run time
from typing import Any, cast

from prefect import flow
from prefect.runtime import flow_run

from flows.artifacts import show_artifact, show_progress
from flows.engine.cancelling import is_cancelled
from flows.run_events import emit_events
from flows.run_reports import DropReport  # noqa: TC001 - Prefect resolves it at run time
from flows.run_states import end_run, name_run
from flows.runs.drop import run_drop
from flows.session.home import open_home
from flows.session.log import begin_log
from tasks.core.provenance import find_version
from tasks.ingest.exports import Dropped  # noqa: TC001 - Prefect resolves it at run time


def _name_run() -> str:
    parameters: dict[str, Any] = flow_run.parameters or {}
    files = parameters.get("files")
    return f"{name_run('drop')}-{'inbox' if files is None else f'{len(files)}-files'}"


@flow(name="drop", flow_run_name=_name_run, version=find_version(), persist_result=False)
def drop(
    home: Path | None = None, files: list[Dropped] | None = None, *, move: bool = True
) -> DropReport:
    """Take in files and process the workouts that they touch.

    Args:
        home: The home folder, on the machine that runs it; empty: COWORN_HOME, else ~/coworn.
        files: The files to take in; empty: what lies whole in the inbox.
        move: Whether files leave their place once they are archived.
    """
    session = open_home(home)
    begin_log(session.home)
    with show_progress("drop", n_files=len(files or ()), settings=session.settings.run):
        report = run_drop(session, files, move=move)
    report = replace(report, is_cancelled=is_cancelled())
    show_artifact(report, session=session)
    emit_events(report.outcomes, report.workout_run, home=session.home)
    return cast("DropReport", end_run(report))
