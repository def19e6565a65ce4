"""A night: what was missed, came late or is outdated, then a backup and a sweep."""

from __future__ import annotations

import contextlib
import logging
import shutil
import time
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

from flows.console.run_summary import log_run
from flows.run_reports import NightlyReport, Stages
from flows.runs.away import copy_away
from flows.runs.complete_files import list_complete_files
from flows.runs.drop import describe_drop
from flows.runs.forget import resume_forgetting
from flows.runs.notify import notify
from flows.runs.process_workouts import process_workouts, refresh_report
from flows.runs.read_files import (
    finish_by_layouts,
    finish_by_notes,
    finish_files,
    mark_refused,
    take_in,
)
from flows.session.locks import NIGHT, hold_night_lock, is_held, is_watched
from flows.session.log import set_aside_logs
from tasks import steps
from tasks.archive.ledger import LAST_NIGHTLY, Ledger
from tasks.archive.mend import mend_lake
from tasks.archive.rot import explain_damage, verify_portion
from tasks.core.errors import StoreBusyError
from tasks.ingest.exports import FileOutcome, list_unfinished

if TYPE_CHECKING:
    from config.home import Home
    from config.session import Session

LOG: Final = logging.getLogger(__name__)

#: A schedule may begin its run a little before its time.
NIGHT_LEEWAY: Final = timedelta(minutes=1)
#: Scratch folders older than this were left behind by a killed run [s].
DEAD_SCRATCH_AFTER_S: Final = 24 * 3600.0


def run_nightly(session: Session, *, not_if_since: datetime | None = None) -> NightlyReport | None:
    """Do what was missed, process everything that changed, back up, sweep.

    With `not_if_since` only where no night was begun since then, nor is under way; returns None
    otherwise. Several clocks may call for one night: a watcher's, and a schedule of a server.
    Raises: StoreBusyError when no time is given and another night is still under way after the
    wait for locks.
    """
    if not_if_since is None:
        with hold_night_lock(session.home, wait_s=session.settings.run.lock_wait_s):
            return _do_night(session)
    try:
        with hold_night_lock(session.home, wait_s=session.settings.run.lock_wait_s):
            with Ledger(session.home) as ledger:
                kept = ledger.recall(LAST_NIGHTLY)
            if kept is not None and not_if_since <= datetime.fromisoformat(kept):
                return None
            return _do_night(session)
    except StoreBusyError:
        if is_held(session.home, NIGHT):
            return None
        raise


def find_last_due(now: datetime, at: str) -> datetime:
    """Return the newest instant not after `now` at which the nightly run was due.

    `now` carries its local zone; `at` is "hh:mm" in that zone.
    """
    hour, minute = (int(part) for part in at.split(":"))
    due = now.replace(hour=hour, minute=minute, second=0, microsecond=0)
    return due if due <= now else due - timedelta(days=1)


def _do_night(session: Session) -> NightlyReport:
    begun = datetime.now(UTC)
    home = session.home
    stages = Stages()
    resume_forgetting(session)
    with stages.time("read"):
        for path in mend_lake(home.lake, deep=False):
            LOG.warning("lake/%s: damaged; its recording is read again from its original", path)
        outcomes = [
            # What an interrupted run began, and what is missing in the lake.
            *finish_files(list_unfinished(home), session=session),
            *finish_by_layouts(session),
            *_take_inbox(session),
        ]
        outcomes = finish_by_notes(outcomes, session=session)
        outcomes += _verify_originals(
            home, known={one.file_id for one in outcomes if one.is_problem}
        )
    workout_run = process_workouts(session, flow_name="nightly", stages=stages, everything=True)
    outcomes = mark_refused(outcomes, workout_run.summary.refused)
    complaints = refresh_report(session, stages=stages, catch_up=True)
    with stages.time("back up"):
        backup = steps.back_up(home, session.settings, now=begun)
        if place := session.settings.backup.to:
            try:
                copy_away(session, place, now=begun)
            # A place that cannot be reached, whatever its library says, does not stop the night.
            except Exception as error:  # noqa: BLE001 - as it is said above
                complaints = (*complaints, f"backup.to: {place}: {error}")
    _sweep(home)
    log_run("nightly", outcomes, workout_run, stages, complaints)
    notify(session, outcomes, workout_run)
    with Ledger(home) as ledger:
        ledger.remember(LAST_NIGHTLY, begun.isoformat())
    return NightlyReport(tuple(outcomes), workout_run, complaints, backup.store)


def _verify_originals(home: Home, *, known: set[str]) -> list[FileOutcome]:
    """Read a part of the originals; return the damaged ones that were not named yet."""
    damaged = [one for one in verify_portion(home) if one[0] not in known]
    if not damaged:
        return []
    with Ledger(home) as ledger:
        names = {file.file_id: file.name for file in ledger.list_files()}
    return [
        FileOutcome(
            names.get(file_id, path.name), "failed", file_id, explain_damage(path, home=home)
        )
        for file_id, path in damaged
    ]


def _take_inbox(session: Session) -> list[FileOutcome]:
    """Take what lies in the inbox, unless a watcher does."""
    home = session.home
    if is_watched(home):
        return []
    files = describe_drop(list_complete_files(home.inbox, session.settings.inbox), home)
    return take_in(files, session=session, move=True)


def _sweep(home: Home) -> None:
    """Remove what killed runs left behind; set large logs aside."""
    set_aside_logs(home)
    steps.sweep_lake(home.lake)
    if not is_watched(home):
        steps.sweep_intake(home)
    expanding = home.state / "expanding"
    if expanding.is_dir():
        for folder in expanding.iterdir():
            with contextlib.suppress(OSError):
                if time.time() - folder.stat().st_mtime > DEAD_SCRATCH_AFTER_S:
                    shutil.rmtree(folder, ignore_errors=True)
