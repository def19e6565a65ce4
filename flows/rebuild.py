"""Prefect's flows that make everything again, and that put a backup in place."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - Prefect resolves the annotations at run time

from prefect import flow

from flows.run_reports import (  # noqa: TC001 - Prefect resolves them at run time
    RebuildReport,
    RestoreReport,
)
from flows.runs.rebuild import run_rebuild, run_restore
from flows.session.home import open_home
from flows.session.log import begin_log


@flow(name="rebuild", persist_result=False)
def rebuild(home: Path | None = None) -> RebuildReport:
    """Read every original again into a new lake and a new store, then put them in place."""
    session = open_home(home)
    begin_log(session.home)
    return run_rebuild(session)


@flow(name="restore", persist_result=False)
def restore(backup: Path, home: Path | None = None) -> RestoreReport:
    """Put the store of `backup` in place, then process all that it does not know."""
    session = open_home(home)
    begin_log(session.home)
    return run_restore(session, backup)
