"""One drop: its files are taken in, then every workout that they touch is processed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flows.console.run_summary import log_run
from flows.run_reports import DropReport, Stages, announce
from flows.runs.complete_files import list_complete_files
from flows.runs.notify import notify
from flows.runs.process_workouts import process_workouts, refresh_report
from flows.runs.read_files import (
    finish_by_layouts,
    finish_by_notes,
    mark_refused,
    take_in,
)
from flows.runs.settled import forget_settled, remember_settled
from tasks.core.folders import find_hint
from tasks.ingest.exports import Dropped

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from config.home import Home
    from config.session import Session
    from tasks.ingest.exports import FileOutcome


def run_drop(
    session: Session,
    files: Sequence[Dropped] | None = None,
    *,
    move: bool = True,
    taken: Sequence[FileOutcome] | None = None,
) -> DropReport:
    """Take in `files` (without any: what lies whole in the inbox) and process their workouts.

    With `move` the files leave their place once they are archived. `taken` are the outcomes where
    they were taken in already.
    """
    if files is None:
        inbox = session.home.inbox
        files = describe_drop(list_complete_files(inbox, session.settings.inbox), session.home)
    stages = Stages()
    forget_settled(session.home)
    with stages.time("read"):
        outcomes = finish_by_layouts(session)
        outcomes += take_in(files, session=session, move=move) if taken is None else taken
        outcomes = finish_by_notes(outcomes, session=session)
    workout_run = process_workouts(session, flow_name="drop", stages=stages)
    outcomes = mark_refused(outcomes, workout_run.summary.refused)
    announce(DropReport(tuple(outcomes), workout_run))
    complaints = refresh_report(session, stages=stages)
    log_run("drop", outcomes, workout_run, stages, complaints)
    notify(session, outcomes, workout_run)
    if not (complaints or workout_run.failed or workout_run.complaints):
        remember_settled(session)
    return DropReport(tuple(outcomes), workout_run, complaints)


def describe_drop(paths: Iterable[Path], home: Home) -> list[Dropped]:
    """Describe files of the inbox as they were dropped; their sub-folder is a device hint."""
    return [Dropped(path, path.name, find_hint(path, home.inbox)) for path in paths]
