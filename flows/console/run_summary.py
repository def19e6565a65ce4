"""Prints what came of a run, and turns it into an exit code."""

from __future__ import annotations

import logging
from collections import Counter
from typing import TYPE_CHECKING, Final

from flows.console import terminal
from flows.console.results_table import is_without_reference, read_main_rows, show_main_rows
from tasks.core.wording import count, join_words

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Sequence

    from rich.console import Console

    from config.home import Home
    from flows.run_reports import DropReport, NightlyReport, Stages, WorkoutRun
    from tasks.ingest.exports import FileOutcome

LOG: Final = logging.getLogger(__name__)
EXIT_DONE: Final = 0
EXIT_REFUSED: Final = 1


def show_drop(report: DropReport, *, console: Console, home: Home) -> int:
    """Print what came of a drop; refusals go to standard error. Returns the exit code."""
    code = report_problems(report.outcomes, report.workout_run)
    console.print(f"{count_outcomes(report.outcomes)}; {describe_workouts(report.workout_run)}")
    show_new_rows(report.workout_run, console=console, home=home)
    return code


def show_nightly(report: NightlyReport, *, console: Console) -> int:
    """Print what came of a night. Returns the exit code."""
    code = report_problems(report.outcomes, report.workout_run)
    code = max(code, report_complaints(report.page_complaints))
    parts = [count_outcomes(report.outcomes)] if report.outcomes else []
    parts += [describe_workouts(report.workout_run), f"backup {report.backup.name}"]
    if report.swept_runs:
        parts.append(f"{count(report.swept_runs, 'dead run')} closed on the Prefect server")
    console.print("nightly: " + "; ".join(terminal.clean(part) for part in parts))
    return code


def show_new_rows(workout_run: WorkoutRun, *, console: Console, home: Home) -> None:
    """Print the main table of the workouts whose results are new."""
    new = [workout.workout_id for workout in workout_run.summary.workouts if workout.is_new]
    if not new or console.quiet:
        return
    rows = read_main_rows(home, workout_ids=new)
    show_main_rows(rows, console=console)
    if is_without_reference(rows):
        terminal.show_wrapped(
            console,
            "no reference is named: devices are compared with each other; coworn devices proposes "
            "entries for devices.toml",
            indent=0,
        )


def report_problems(
    outcomes: Sequence[FileOutcome], workout_run: WorkoutRun, *, expected: Collection[str] = ()
) -> int:
    """Name on standard error what was refused or failed; those in `expected` do not count.

    Returns the exit code: what a person must mend, a rule of devices or a course for instance,
    counts as well; an export that was read in part does not.
    """
    for line in _describe_problems(outcomes, workout_run):
        terminal.print_error(line)
    counted = any(outcome.is_problem and outcome.name not in expected for outcome in outcomes)
    return EXIT_REFUSED if counted or workout_run.failed or workout_run.complaints else EXIT_DONE


def report_complaints(complaints: Sequence[str]) -> int:
    """Print each complaint on standard error. Returns the exit code."""
    for line in complaints:
        terminal.print_error(line)
    return EXIT_REFUSED if complaints else EXIT_DONE


def log_run(
    flow_name: str,
    outcomes: Sequence[FileOutcome],
    workout_run: WorkoutRun,
    stages: Stages,
    complaints: Sequence[str] = (),
) -> None:
    """Log what came of a run and how long its stages took; `complaints` are those of the pages."""
    for line in (*_describe_problems(outcomes, workout_run), *complaints):
        LOG.warning("%s", line)
    LOG.info(
        "%s: %s; %s; %s",
        flow_name,
        count_outcomes(outcomes),
        describe_workouts(workout_run),
        stages,
    )


def _describe_problems(outcomes: Sequence[FileOutcome], workout_run: WorkoutRun) -> Iterator[str]:
    """Return one line for whatever did not go as it should."""
    for outcome in outcomes:
        if outcome.is_problem:
            inside = "" if outcome.inside is None else f" (in {outcome.inside})"
            yield f"{outcome.name}{inside} {outcome.status}: {outcome.reason}"
    for outcome in outcomes:
        if outcome.status == "partial":
            yield f"{outcome.name} is partial: {outcome.reason}"
    yield from workout_run.failed
    yield from workout_run.complaints
    yield from workout_run.summary.hints


def count_outcomes(outcomes: Sequence[FileOutcome]) -> str:
    """Return how many files ended how, in words."""
    counts: Counter[str] = Counter(outcome.status for outcome in outcomes)
    parts = [
        f"{counts[status]} {word}"
        for status, word in (
            ("stored", "stored"),
            ("partial", "partial"),
            ("duplicate", "known already"),
            ("refused", "refused"),
            ("failed", "failed"),
            ("changing", "still changing"),
        )
        if counts[status]
    ]
    return f"{count(len(outcomes), 'file')}: {', '.join(parts)}" if parts else "no files"


def describe_workouts(workout_run: WorkoutRun) -> str:
    """Describe in words what came of the workouts."""
    workouts = workout_run.summary.workouts
    new = sum(workout.is_new for workout in workouts)
    parts = []
    if new:
        parts.append(f"{count(new, 'workout')} with new results")
    if workout_run.summary.vanished:
        parts.append(
            f"{count(len(workout_run.summary.vanished), 'workout')} merged into others or gone"
        )
    if not parts:
        parts.append("no new results")
    if workout_run.summary.waiting:
        names = join_words(list(workout_run.summary.waiting))
        parts.append(f"answers about {names} wait for the night")
    if workout_run.summary.run_id is not None:
        parts.append(f"run {workout_run.summary.run_id}")
    return ", ".join(parts)
