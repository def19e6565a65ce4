"""The flow of one drop: its files are taken in, then every workout that they touch is settled."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from pathlib import Path  # noqa: TC003 - Prefect resolves the annotations at run time
from typing import TYPE_CHECKING, Any, Final

from prefect import flow
from prefect.runtime import flow_run

from flows import terminal
from flows.configuration import open_home
from flows.finishing import finish_by_notes
from flows.journal import Stages, begin_log
from flows.outcome import log_run
from flows.quiet import list_quiet_files
from flows.settling import Settled, settle_home
from flows.spread import run_all
from tasks import steps
from tasks.core.folders import find_hint
from tasks.ingest import Dropped, FileOutcome, fail

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from config.home import Home
    from config.settings import Settings

LOG: Final = logging.getLogger(__name__)
#: Rows that a table in Prefect's pages has at the most.
MAX_ARTIFACT_ROWS: Final = 500


@dataclass(frozen=True)
class DropReport:
    """What a drop gave: one outcome per file, and what was settled."""

    outcomes: tuple[FileOutcome, ...]
    settled: Settled


def _name_run() -> str:
    parameters: dict[str, Any] = flow_run.parameters or {}
    files = parameters.get("files")
    begun = flow_run.scheduled_start_time
    how_many = "inbox" if files is None else f"{len(files)}-files"
    return f"drop-{begun:%Y%m%dT%H%M%S}-{how_many}"


@flow(name="drop", flow_run_name=_name_run, persist_result=False)
def drop(
    home: Path | None = None, files: list[Dropped] | None = None, *, move: bool = True
) -> DropReport:
    """Take in `files` (without any: what lies whole in the inbox) and settle their workouts.

    With `move` the files leave their place once they are archived.
    """
    opened = open_home(home)
    place, settings = opened.home, opened.settings
    begin_log(place)
    if files is None:
        files = [
            Dropped(path, path.name, find_hint(path, place.inbox))
            for path in list_quiet_files(place.inbox, settings.inbox)
        ]
    stages = Stages()
    with stages.time("read"):
        outcomes = take_in(files, home=place, settings=settings, move=move)
        outcomes = finish_by_notes(outcomes, home=place, settings=settings)
    settled = settle_home(place, settings, flow_name="drop", stages=stages)
    log_run("drop", outcomes, settled, stages)
    report = DropReport(tuple(outcomes), settled)
    show_artifact(report, home=place)
    return report


def take_in(
    files: Sequence[Dropped], *, home: Home, settings: Settings, move: bool
) -> list[FileOutcome]:
    """Take in files: one task for each, or in a backfill one for each batch on several workers.

    Files that a batch could not finish are tried once more, one by one.
    """
    common = {"home": home, "settings": settings, "move": move}
    outcomes: list[FileOutcome] = []
    again: list[Dropped] = []
    if len(files) >= settings.run.backfill_files:
        batches = list(_split(files, settings.run.batch_files))
        calls = [{"files": batch, **common} for batch in batches]
        results = run_all(steps.ingest_batch, calls, settings=settings, spread=True)
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
    results = run_all(steps.ingest_file, calls, settings=settings, spread=False)
    for file, result in zip(again, results, strict=True):
        if isinstance(result, BaseException):
            LOG.warning("%s: %s", file.name, result)
            outcomes.append(fail(file, result))
        else:
            outcomes += result
        terminal.report_progress(len(outcomes), len(files), "reading")
    return outcomes


def show_artifact(report: DropReport, *, home: Home) -> None:
    """Show files and main results beside the run in Prefect's pages; a refusal changes nothing."""
    from flows.results import read_main_rows

    summary = report.settled.summary
    try:
        _show_table(
            "coworn-drop-files",
            [
                {
                    "file": outcome.name,
                    "status": outcome.status,
                    "reason": outcome.reason or "",
                }
                for outcome in report.outcomes[:MAX_ARTIFACT_ROWS]
            ],
            description="Files of the drop",
        )
        touched = [workout.workout_id for workout in summary.workouts if workout.is_new]
        if touched:
            _show_table(
                "coworn-drop-results",
                [row.as_dictionary() for row in read_main_rows(home, workout_ids=touched)][
                    :MAX_ARTIFACT_ROWS
                ],
                description="Results of the workouts that the drop touched",
            )
    except Exception:  # a picture for the server; the work is done
        LOG.warning("the server took no table of this run", exc_info=True)


def _show_table(key: str, rows: Sequence[dict[str, Any]], *, description: str) -> None:
    shown = [
        {
            name: terminal.write_as_markdown(cell) if isinstance(cell, str) else cell
            for name, cell in row.items()
        }
        for row in rows
    ]
    steps.show_table(key, shown, description=description)


def _split(files: Sequence[Dropped], size: int) -> Iterator[list[Dropped]]:
    for begin in range(0, len(files), size):
        yield list(files[begin : begin + size])
