"""Prefect's flow of one drop."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - Prefect resolves the annotations at run time
from typing import Any

from prefect import flow
from prefect.runtime import flow_run

from flows.artifacts import show_artifact
from flows.run_reports import DropReport  # noqa: TC001 - Prefect resolves it at run time
from flows.runs.drop import run_drop
from flows.session.home import open_home
from flows.session.log import begin_log
from tasks.ingest.exports import Dropped  # noqa: TC001 - Prefect resolves it at run time


def _name_run() -> str:
    parameters: dict[str, Any] = flow_run.parameters or {}
    files = parameters.get("files")
    begun = flow_run.scheduled_start_time
    how_many = "inbox" if files is None else f"{len(files)}-files"
    return f"drop-{begun:%Y%m%dT%H%M%S}-{how_many}"


@flow(name="drop", flow_run_name=_name_run, persist_result=False)
def drop(
    home: Path | None = None, files: list[Dropped] | None = None, *, move: bool = True
) -> DropReport:
    """Take in `files` (without any: what lies whole in the inbox) and process their workouts.

    With `move` the files leave their place once they are archived.
    """
    session = open_home(home)
    begin_log(session.home)
    report = run_drop(session, files, move=move)
    show_artifact(report, home=session.home)
    return report
