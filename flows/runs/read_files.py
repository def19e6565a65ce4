"""Reads files: those of a drop, and archived ones again (interrupted, all, or by new notes)."""

from __future__ import annotations

import logging
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from flows.console import terminal
from flows.engine.task_runner import map_task
from tasks import steps
from tasks.ingest.exports import Dropped, FileOutcome, fail

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from config.session import Session
    from tasks.core.file_records import FileRecord

LOG: Final = logging.getLogger(__name__)


def take_in(files: Sequence[Dropped], *, session: Session, move: bool) -> list[FileOutcome]:
    """Take in files: one task for each, or in a backfill one for each batch on several workers.

    Files that a batch could not finish are tried once more, one by one.
    """
    settings = session.settings
    common = {"home": session.home, "settings": settings, "move": move}
    outcomes: list[FileOutcome] = []
    again: list[Dropped] = []
    if len(files) >= settings.run.backfill_files:
        batches = list(_split(files, settings.run.batch_files))
        calls = [{"files": batch, **common} for batch in batches]
        results = map_task(steps.ingest_batch, calls, session=session, spread=True)
        for batch, result in zip(batches, results, strict=True):
            if isinstance(result, BaseException):
                again += batch
                continue
            for file, of_file in zip(batch, result, strict=True):
                if any(outcome.status == "failed" for outcome in of_file):
                    again.append(file)
                else:
                    outcomes += of_file
            terminal.report_progress(len(outcomes), len(files), "reading")
    else:
        again = list(files)
    calls = [{"file": file, **common} for file in again]
    results = map_task(steps.ingest_file, calls, session=session, spread=False)
    for file, result in zip(again, results, strict=True):
        if isinstance(result, BaseException):
            LOG.warning("%s: %s", file.name, result)
            outcomes.append(fail(file, result))
        else:
            outcomes += result
        terminal.report_progress(len(outcomes), len(files), "reading")
    return outcomes


def finish_files(
    files: Sequence[FileRecord], *, session: Session, spread: bool = False
) -> list[FileOutcome]:
    """Do archived files again, with `spread` on several workers; return their outcomes."""
    home, settings = session.home, session.settings
    calls = [{"known": known, "home": home, "settings": settings} for known in files]
    outcomes: list[FileOutcome] = []
    results = map_task(steps.finish_file, calls, session=session, spread=spread)
    for number, (known, result) in enumerate(zip(files, results, strict=True), start=1):
        terminal.report_progress(number, len(files), "reading")
        if isinstance(result, BaseException):
            outcomes.append(FileOutcome(known.name, "failed", known.file_id, str(result)))
        else:
            outcomes += result
    return outcomes


def finish_by_layouts(session: Session) -> list[FileOutcome]:
    """Read exports again that the CSV layouts of the home read otherwise now."""
    files = steps.reopen_by_layouts(session.home, session.settings)
    return finish_files(files, session=session)


def finish_by_notes(outcomes: Sequence[FileOutcome], *, session: Session) -> list[FileOutcome]:
    """Read exports again whose times have no zone and for which the notes now say another one.

    Call it when all files of a run were taken in, which gave `outcomes`: exports may have come
    before their notes. Returns the outcomes with those of the files that were read again.
    """
    files = steps.decide_by_notes(session.home, session.settings)
    if not files:
        return list(outcomes)
    again = finish_files(files, session=session)
    steps.clear_lake(session.home)
    done_again = {outcome.file_id for outcome in again}
    kept = [
        outcome
        for outcome in outcomes
        if outcome.status == "duplicate" or outcome.file_id not in done_again
    ]
    return [*kept, *again]


def mark_refused(
    outcomes: Sequence[FileOutcome], refused: Mapping[str, FileRecord]
) -> list[FileOutcome]:
    """Return the outcomes with the files refused that pairing could not place in time."""
    marked = [
        replace(outcome, status="refused", reason=refused[outcome.file_id].reason)
        if outcome.file_id in refused
        else outcome
        for outcome in outcomes
    ]
    known = {outcome.file_id for outcome in outcomes}
    return marked + [
        FileOutcome(
            file.name, "refused", file.file_id, file.reason, file.recording_ids, file.format
        )
        for file_id, file in refused.items()
        if file_id not in known
    ]


def _split(files: Sequence[Dropped], size: int) -> Iterator[list[Dropped]]:
    for begin in range(0, len(files), size):
        yield list(files[begin : begin + size])
