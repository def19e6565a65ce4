"""`coworn nightly` and `coworn rebuild`, run in this process."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flows.commands.work import open_engine
from flows.console import terminal
from tasks.core.errors import UsageError

if TYPE_CHECKING:
    from pathlib import Path


def run_nightly(folder: Path | None, *, debug: bool = False, quiet: bool = False) -> int:
    """Run the batch of the night now."""
    home, engine = open_engine(folder, debug=debug)
    from flows.console.run_summary import show_new_rows, show_nightly
    from flows.nightly import nightly

    console = terminal.make_console(quiet=quiet)
    try:
        with engine.running(heartbeat=True), terminal.show_progress(quiet=quiet):
            report = nightly(home=home.root)
    finally:
        engine.stop()
    code = show_nightly(report, console=console)
    show_new_rows(report.workout_run, console=console, home=home)
    return code


def run_rebuild(folder: Path | None, *, debug: bool = False, quiet: bool = False) -> int:
    """Make lake and store again from the originals."""
    home, engine = open_engine(folder, debug=debug)
    from flows.console.run_summary import count_outcomes, describe_workouts, report_problems
    from flows.rebuild import rebuild

    console = terminal.make_console(quiet=quiet)
    try:
        with engine.running(heartbeat=True), terminal.show_progress(quiet=quiet):
            report = rebuild(home=home.root)
    finally:
        engine.stop()
    code = report_problems(report.outcomes, report.workout_run)
    console.print(
        f"rebuilt from the originals: {count_outcomes(report.outcomes)}; "
        f"{describe_workouts(report.workout_run)}; the store of before is "
        f"{terminal.clean(report.backup)}"
    )
    return code


def run_restore(
    backup: Path, folder: Path | None, *, debug: bool = False, quiet: bool = False
) -> int:
    """Put `backup` in the store's place and measure what came after it.

    Raises: UsageError for a backup that is not there.
    """
    if not backup.is_file():
        raise UsageError(f"{backup}: there is no such backup; they lie in backups/ of the home")
    backup = backup.absolute()
    home, engine = open_engine(folder, debug=debug)
    from flows.console.run_summary import describe_workouts, report_problems
    from flows.rebuild import restore

    console = terminal.make_console(quiet=quiet)
    try:
        with engine.running(heartbeat=True), terminal.show_progress(quiet=quiet):
            report = restore(backup=backup, home=home.root)
    finally:
        engine.stop()
    code = report_problems((), report.workout_run)
    kept = "" if report.replaced is None else f"; the store of before is {report.replaced}"
    console.print(
        f"restored {terminal.clean(backup.name)}: {describe_workouts(report.workout_run)}"
        f"{terminal.clean(kept)}"
    )
    return code
