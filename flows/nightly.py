"""Prefect's flow of a night."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path  # noqa: TC003 - Prefect resolves the annotations at run time

from prefect import flow

from flows.artifacts import show_artifact
from flows.engine.environment import find_api_url
from flows.engine.run_history import close_dead_runs, forget_old_runs
from flows.run_reports import DropReport, NightlyReport
from flows.runs.nightly import run_nightly
from flows.session.home import open_home
from flows.session.log import begin_log


@flow(name="nightly", persist_result=False)
def nightly(home: Path | None = None) -> NightlyReport:
    """Do what was missed, process everything that changed, back up, sweep."""
    begun = datetime.now(UTC)
    session = open_home(home)
    begin_log(session.home)
    report = run_nightly(session)
    show_artifact(DropReport(report.outcomes, report.workout_run), home=session.home)
    if find_api_url() is None:
        forget_old_runs(begun)
    return replace(report, swept_runs=close_dead_runs(begun))
