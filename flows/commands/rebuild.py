"""`coworn rebuild`: everything again from the originals, or a backup in the store's place."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - typer resolves the annotations at run time
from typing import TYPE_CHECKING, Annotated

import typer

from flows.commands.declare import Options, command
from flows.console import terminal
from tasks.core.errors import UsageError

if TYPE_CHECKING:
    from flows.commands.opening import Work


@command()
def rebuild(
    options: Options,
    from_backup: Annotated[
        Path | None,
        typer.Option(
            "--from-backup",
            metavar="FILE",
            help="Put this backup (backups/store-*.duckdb) in the store's place instead, and "
            "measure what came after it.",
            show_default=False,
        ),
    ] = None,
) -> int:
    """Make the lake and the store again from the archived originals, or restore a backup.

    Raises: UsageError for a backup that is not there.
    """
    from flows.commands.opening import open_work

    if from_backup is not None and not from_backup.is_file():
        raise UsageError(
            f"{from_backup}: there is no such backup; they lie in backups/ of the home"
        )
    backup = None if from_backup is None else from_backup.absolute()
    with open_work(options) as work:
        return _rebuild(work) if backup is None else _restore(work, backup)


def _rebuild(work: Work) -> int:
    from flows.console.run_summary import (
        count_outcomes,
        describe_workouts,
        report_complaints,
        report_problems,
    )
    from flows.runs.rebuild import run_rebuild

    report = work.run(run_rebuild)
    code = report_problems(report.outcomes, report.workout_run)
    work.console.print(
        f"rebuilt from the originals: {count_outcomes(report.outcomes)}; "
        f"{describe_workouts(report.workout_run)}; the previous store is kept at "
        f"{terminal.clean(report.backup)}"
    )
    return max(code, report_complaints(report.page_complaints))


def _restore(work: Work, backup: Path) -> int:
    from flows.console.run_summary import describe_workouts, report_complaints, report_problems
    from flows.runs.rebuild import run_restore

    report = work.run(run_restore, backup=backup)
    code = report_problems((), report.workout_run)
    kept = "" if report.replaced is None else f"; the previous store is kept at {report.replaced}"
    work.console.print(
        f"restored {terminal.clean(backup.name)}: {describe_workouts(report.workout_run)}"
        f"{terminal.clean(kept)}"
    )
    return max(code, report_complaints(report.page_complaints))
