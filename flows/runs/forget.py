"""Really removes exports, then measures and publishes what is left."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from flows.run_reports import Stages
from flows.runs.process_workouts import process_locked, publish_results, refresh_report
from flows.session.locks import hold_run_lock
from tasks import steps
from tasks.processing.forget import (
    Forgotten,
    begin_forgetting,
    end_forgetting,
    forget,
    list_forgetting,
    remove_copies,
)
from tasks.store import find_published

if TYPE_CHECKING:
    from collections.abc import Sequence

    from config.session import Session
    from flows.run_reports import WorkoutRun
    from tasks.core.file_records import FileRecord


@dataclass(frozen=True)
class ForgetReport:
    """What was removed, and how many published copies and backups with it."""

    forgotten: Forgotten
    workout_run: WorkoutRun
    copies: int
    backups: int
    page_complaints: tuple[str, ...]


def run_forget(session: Session, files: Sequence[FileRecord]) -> ForgetReport:
    """Remove `files` and what a killed run began to remove. Raises: StoreBusyError."""
    home, settings = session.home, session.settings
    wait_s = settings.run.lock_wait_s
    stages = Stages()
    begin_forgetting(home, files)
    with hold_run_lock(home, wait_s=wait_s, purpose="coworn remove --forget"):
        _, begun = list_forgetting(home)
        forgotten = forget(home, begun, wait_s=wait_s)
        workout_run = process_locked(session, flow_name="forget", stages=stages, everything=True)
        publish_results(session, stages=stages)
        newest = find_published(home)
        copies, backups = remove_copies(home, newest=None if newest is None else newest.name)
        # The new backup holds the ledger, too: nothing in it may say what is gone.
        end_forgetting(home)
        steps.back_up(home, settings, now=datetime.now(UTC))
    complaints = refresh_report(session, stages=stages)
    return ForgetReport(forgotten, workout_run, copies, backups, complaints)


def resume_forgetting(session: Session) -> None:
    """Go on with a removal that was killed."""
    is_begun, _ = list_forgetting(session.home)
    if is_begun:
        run_forget(session, ())
