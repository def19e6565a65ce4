"""The flow of one drop: its files are taken in, then every workout that they touch is processed."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - Prefect resolves the annotations at run time
from typing import Any

from prefect import flow
from prefect.runtime import flow_run

from flows.artifacts import show_artifact
from flows.complete_files import list_complete_files
from flows.console.run_summary import log_run
from flows.process_workouts import process_workouts
from flows.read_files import finish_by_layouts, finish_by_notes, mark_refused, take_in
from flows.run_reports import DropReport, Stages
from flows.session.home import open_home
from flows.session.log import begin_log
from tasks.core.folders import find_hint
from tasks.ingest.exports import Dropped


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
    """Take in `files` (without any: what lies whole in the inbox) and settle their workouts.

    With `move` the files leave their place once they are archived.
    """
    opened = open_home(home)
    place, settings = opened.home, opened.settings
    begin_log(place)
    if files is None:
        files = [
            Dropped(path, path.name, find_hint(path, place.inbox))
            for path in list_complete_files(place.inbox, settings.inbox)
        ]
    stages = Stages()
    with stages.time("read"):
        outcomes = finish_by_layouts(place, settings)
        outcomes += take_in(files, home=place, settings=settings, move=move)
        outcomes = finish_by_notes(outcomes, home=place, settings=settings)
    workout_run = process_workouts(place, settings, flow_name="drop", stages=stages)
    outcomes = mark_refused(outcomes, workout_run.summary.refused)
    log_run("drop", outcomes, workout_run, stages)
    report = DropReport(tuple(outcomes), workout_run)
    show_artifact(report, home=place)
    return report
