"""Prefect's flow of a night."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path  # noqa: TC003 - Prefect resolves the annotations at run time
from typing import cast

from prefect import flow
from prefect.context import FlowRunContext

from flows.artifacts import show_artifact, show_progress
from flows.engine.environment import find_api_url
from flows.engine.run_history import close_dead_runs, forget_old_runs
from flows.run_events import emit_events
from flows.run_reports import DropReport, NightlyReport
from flows.run_states import end_run, name_run, skip_run
from flows.runs.nightly import NIGHT_LEEWAY, run_nightly
from flows.session.home import open_home
from flows.session.log import begin_log
from tasks.core.provenance import find_version


@flow(
    name="nightly",
    flow_run_name=lambda: name_run("nightly"),
    version=find_version(),
    persist_result=False,
)
def nightly(home: Path | None = None, not_if_since: datetime | None = None) -> NightlyReport | None:
    """Do what was missed, process everything that changed, back up, sweep.

    A run that a schedule began does nothing when another one did the same night, or is doing it.

    Args:
        home: The home folder, on the machine that runs it; empty: COWORN_HOME, else ~/coworn.
        not_if_since: Do nothing when a night was done at this time or later.
    """
    begun = datetime.now(UTC)
    session = open_home(home)
    begin_log(session.home)
    with show_progress("nightly", n_files=None, settings=session.settings.run):
        report = run_nightly(session, not_if_since=not_if_since or _find_planned())
    if report is None:
        return cast("None", skip_run("another run did this night"))
    show_artifact(DropReport(report.outcomes, report.workout_run), session=session)
    emit_events(report.outcomes, report.workout_run, home=session.home)
    if find_api_url() is None:
        forget_old_runs(begun)
    return cast("NightlyReport", end_run(replace(report, swept_runs=close_dead_runs(begun))))


def _find_planned() -> datetime | None:
    """Return the time for which a schedule planned the run, less some leeway; else None."""
    context = FlowRunContext.get()
    run = None if context is None else context.flow_run
    if run is None or not run.auto_scheduled or run.expected_start_time is None:
        return None
    planned: datetime = run.expected_start_time - NIGHT_LEEWAY
    return planned
