"""Everything again from the archived originals, beside what is there; and restored backups."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from config.home import Home
from flows.console.run_summary import log_run
from flows.engine.cancelling import raise_if_cancelled
from flows.run_reports import RebuildReport, RestoreReport, Stages
from flows.runs.process_workouts import (
    process_locked,
    process_workouts,
    publish_results,
    refresh_report,
)
from flows.runs.read_files import finish_by_notes, finish_files, mark_refused
from flows.session.locks import hold_run_lock
from tasks import steps
from tasks.archive.lake import (
    ensure_lake,
    has_recording,
    read_recording,
    write_recording,
)
from tasks.archive.ledger import Ledger
from tasks.archive.originals import list_originals
from tasks.archive.rot import DAMAGED
from tasks.ingest.exports import list_unfinished
from tasks.store import open_store, restore_backup

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from config.session import Session
    from tasks.ingest.exports import FileOutcome

_BESIDE: Final = "rebuild"


class RebuiltHome(Home):
    """The same home, but its lake and its store are those that are being made."""

    @property
    def beside(self) -> Path:
        """Where the new parts grow; on the same disk as the old ones, so that they can swap."""
        return self.state / _BESIDE

    @property
    def lake(self) -> Path:
        """The new lake."""
        return self.beside / "lake"

    @property
    def store(self) -> Path:
        """The new store."""
        return self.beside / "store.duckdb"


def run_rebuild(session: Session) -> RebuildReport:
    """Read every original again into a new lake and a new store, then put them in place.

    Ids of workouts stay, because the ledger keeps them. The previous store is backed up.
    Raises: StoreBusyError; RunCancelledError, and then everything is as it was.
    """
    home, settings = session.home, session.settings
    made = RebuiltHome(home.root)
    beside = replace(session, home=made)
    stages = Stages()
    with hold_run_lock(home, wait_s=settings.run.lock_wait_s, purpose="coworn rebuild"):
        shutil.rmtree(made.beside, ignore_errors=True)
        made.beside.mkdir(mode=0o700, parents=True)
        ensure_lake(made.lake)
        adopt_unknown_originals(home)
        with Ledger(home) as ledger:
            files = [known for known in ledger.list_files() if known.inside is None]
        with stages.time("read"):
            spread = len(files) >= settings.run.backfill_files
            outcomes = finish_files(files, session=beside, spread=spread)
            outcomes = finish_by_notes(outcomes, session=beside)
            outcomes = _keep_of_damaged(outcomes, home, made)
        raise_if_cancelled()
        workout_run = process_locked(beside, flow_name="rebuild", stages=stages, everything=True)
        raise_if_cancelled()
        with stages.time("back up"):
            backup = steps.back_up(home, settings, now=datetime.now(UTC))
        _put_in_place(made, home)
        # What a watcher took in meanwhile went into the previous lake.
        with stages.time("read"):
            outcomes += finish_files(list_unfinished(home), session=session)
        publish_results(session, stages=stages)
    outcomes = mark_refused(outcomes, workout_run.summary.refused)
    complaints = refresh_report(session, stages=stages)
    log_run("rebuild", outcomes, workout_run, stages, complaints)
    return RebuildReport(tuple(outcomes), workout_run, complaints, backup.store)


def run_restore(session: Session, backup: Path) -> RestoreReport:
    """Put the store of `backup` in place, then process all that it does not know.

    Originals, lake and ledger stay as they are: they know what came after the backup.
    Raises: BackupError, StoreBusyError.
    """
    home, wait_s = session.home, session.settings.run.lock_wait_s
    with hold_run_lock(home, wait_s=wait_s, purpose="coworn rebuild"):
        replaced = restore_backup(backup, home=home, wait_s=wait_s)
    stages = Stages()
    workout_run = process_workouts(session, flow_name="restore", stages=stages, everything=True)
    complaints = refresh_report(session, stages=stages)
    log_run("restore", (), workout_run, stages, complaints)
    return RestoreReport(workout_run, complaints, replaced)


def adopt_unknown_originals(home: Home) -> int:
    """Enter originals into the ledger that it does not know, e.g. because it was lost.

    Returns how many.
    """
    n_adopted = 0
    with Ledger(home) as ledger:
        known = {file.file_id for file in ledger.list_files()}
        for file_id, path in list_originals(home):
            if file_id not in known:
                n_adopted += 1
                facts = path.stat()
                ledger.record_file(
                    file_id,
                    name=path.name,
                    bytes=facts.st_size,
                    received_at=datetime.fromtimestamp(facts.st_mtime, tz=UTC),
                )
    return n_adopted


def _keep_of_damaged(
    outcomes: Sequence[FileOutcome], home: Home, made: RebuiltHome
) -> list[FileOutcome]:
    """Take over from the previous lake what was read before its original was damaged."""
    with Ledger(home) as ledger:
        damaged = ledger.recall_all(DAMAGED)
        inside = {
            file.file_id: [
                one.recording_ids
                for one in ledger.list_files()
                if file.file_id in (one.file_id, one.inside)
            ]
            for file in ledger.list_files()
            if file.file_id in damaged
        }
    kept = []
    for outcome in outcomes:
        found = [
            one
            for ids in inside.get(outcome.file_id, ())
            for one in ids
            if outcome.status == "failed" and has_recording(one, lake=home.lake)
        ]
        for one in dict.fromkeys(found):
            write_recording(read_recording(one, lake=home.lake), one, lake=made.lake)
        said = f"{outcome.reason} (what was read of it before is kept)" if found else outcome.reason
        kept.append(replace(outcome, reason=said))
    return kept


def _put_in_place(made: RebuiltHome, home: Home) -> None:
    """Swap the new lake and the new store with the old ones."""
    before = made.beside / "lake-before"
    if home.lake.exists():
        home.lake.rename(before)
    made.lake.rename(home.lake)
    if made.store.exists():
        with open_store(home):
            pass  # takes what a killed run left in the log into the store: no log is left beside it
        made.store.replace(home.store)
        home.store.with_name(home.store.name + ".wal").unlink(missing_ok=True)
    shutil.rmtree(made.beside, ignore_errors=True)
