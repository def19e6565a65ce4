"""A drop of files that are all known, into a home in which nothing else waits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from flows.console.run_summary import log_run
from flows.run_reports import DropReport, Stages, WorkoutRun
from flows.runs.settled import is_settled
from tasks.archive.ledger import Ledger
from tasks.core.summaries import Summary
from tasks.ingest.exports import ingest_file

if TYPE_CHECKING:
    from collections.abc import Sequence

    from config.session import Session
    from tasks.ingest.exports import Dropped, FileOutcome


@dataclass(frozen=True)
class Looked:
    """What a look at known files gave; the `report` is None where a whole run is needed."""

    outcomes: tuple[FileOutcome, ...]
    report: DropReport | None


def look_at_known(session: Session, files: Sequence[Dropped]) -> Looked | None:
    """Take in files that stay where they are; None, and nothing done, where anything else waits.

    A known file may have been damaged in the archive, or may come under a new name: then a look
    is not enough. Raises: OSError and other troubles of the machine.
    """
    if not is_settled(session):
        return None
    stages = Stages()
    before = _count_names(session)
    with stages.time("read"):
        outcomes = tuple(
            outcome
            for file in files
            for outcome in ingest_file(
                file, home=session.home, settings=session.settings, move=False
            )
        )
    is_known = len(outcomes) == len(files) and {one.status for one in outcomes} == {"duplicate"}
    if not is_known or _count_names(session) != before:
        return Looked(outcomes, None)
    workout_run = WorkoutRun(Summary(None), unchanged=0, failed=(), complaints=())
    log_run("drop", outcomes, workout_run, stages)
    return Looked(outcomes, DropReport(outcomes, workout_run))


def _count_names(session: Session) -> int:
    with Ledger(session.home) as ledger:
        return ledger.count_names()
