"""Does archived files again: interrupted ones, all of them, those that new notes speak of."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flows import terminal
from flows.spread import run_all
from tasks import steps
from tasks.ingest import FileOutcome

if TYPE_CHECKING:
    from collections.abc import Sequence

    from config.home import Home
    from config.settings import Settings
    from tasks.core.seen import FileRecord


def finish_files(
    files: Sequence[FileRecord], *, home: Home, settings: Settings, spread: bool = False
) -> list[FileOutcome]:
    """Do archived files again, with `spread` on several workers; give their outcomes."""
    calls = [{"known": known, "home": home, "settings": settings} for known in files]
    outcomes: list[FileOutcome] = []
    results = run_all(steps.finish_file, calls, settings=settings, spread=spread)
    for number, (known, result) in enumerate(zip(files, results, strict=True), start=1):
        terminal.report_progress(number, len(files), "reading")
        if isinstance(result, BaseException):
            outcomes.append(FileOutcome(known.name, "failed", known.file_id, str(result)))
        else:
            outcomes += result
    return outcomes


def finish_by_notes(
    outcomes: Sequence[FileOutcome], *, home: Home, settings: Settings
) -> list[FileOutcome]:
    """Read exports again whose times have no zone and for which the notes now say another one.

    Call it when all files of a run were taken in, which gave `outcomes`: exports may have come
    before their notes. Gives the outcomes with those of the files that were read again.
    """
    files = steps.decide_by_notes(home, settings)
    if not files:
        return list(outcomes)
    again = finish_files(files, home=home, settings=settings)
    steps.clear_lake(home)
    done_again = {outcome.file_id for outcome in again}
    kept = [
        outcome
        for outcome in outcomes
        if outcome.status == "duplicate" or outcome.file_id not in done_again
    ]
    return [*kept, *again]
