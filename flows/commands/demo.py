"""`coworn demo`: the whole job on the invented workouts that come with the product."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Final

from flows.commands.declare import Options, command
from flows.console import terminal
from tasks.core.errors import UsageError
from tasks.core.folders import find_hint, scan_folder

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from config.home import Home
    from flows.run_reports import DropReport
    from tasks.ingest.exports import FileOutcome

#: Where the demo's home is, unless another is named.
DEMO_HOME: Final = Path("coworn-demo")
_EXPORTS: Final = "inbox_demo"
_DEVICES: Final = "devices.toml"
_COURSES: Final = "courses"
#: What stands in the name of exports that are broken on purpose.
BROKEN_MARKS: Final = ("damaged", "broken")


@command(home="Home folder; ./coworn-demo by default.")
def demo(options: Options) -> int:
    """Do the whole job on the invented workouts of inbox_demo/ and print what came out.

    Raises: UsageError where they are missing.
    """
    from flows.commands.opening import open_work

    source = find_demo()
    with open_work(options, folder=options.home or DEMO_HOME) as work:
        home, console = work.session.home, work.console
        console.print(f"dropping {terminal.clean(source)} into {terminal.clean(home.inbox)}")
        from tasks.ingest.exports import Dropped

        files = [
            Dropped(path, path.name, find_hint(path, home.inbox))
            for path in drop_demo(source, home)
        ]
        code = work.take(files, move=True, show=lambda report: _show(report, home, console))
        console.print(
            f"results: {terminal.clean(home.results)}\n"
            f"pages:   {terminal.clean(home.report / 'index.html')}\n"
            f"answers: coworn answers --home {terminal.clean(home.root)}\n"
            f'ask them: coworn sql "FROM heart_rate" --home {terminal.clean(home.root)}'
        )
    return code


def _show(report: DropReport, home: Home, console: Console) -> int:
    """Print the main table of everything. Returns the exit code."""
    from flows.console.results_table import read_main_rows, show_main_rows
    from flows.console.run_summary import count_outcomes, describe_workouts, report_problems

    code = report_problems(
        report.outcomes, report.workout_run, expected=_find_broken(report.outcomes)
    )
    console.print(f"{count_outcomes(report.outcomes)}; {describe_workouts(report.workout_run)}")
    if not any(workout.is_new for workout in report.workout_run.summary.workouts):
        console.print("everything was known already: this run added nothing")
    show_main_rows(read_main_rows(home), console=console)
    return code


def find_demo() -> Path:
    """Return the folder of the demo's exports: that of the clone, else the one that is installed.

    Raises: UsageError.
    """
    here = Path(__file__).resolve()
    folders = (here.parents[2] / _EXPORTS, here.with_name(_EXPORTS))
    for folder in folders:
        if folder.is_dir():
            return folder
    raise UsageError(
        f"{folders[0]}: the demo's exports are not there; install coworn again, or run it from a "
        "clone of its repository"
    )


def drop_demo(source: Path, home: Home) -> tuple[Path, ...]:
    """Copy devices, courses and exports to where a person would put them; return the exports.

    A devices.toml that is there already stays: it may have been edited.
    """
    if not home.devices.exists() and (source / _DEVICES).exists():
        shutil.copyfile(source / _DEVICES, home.devices)
    dropped: list[Path] = []
    for path in sorted(scan_folder(source)):
        parts = path.relative_to(source).parts
        if parts == (_DEVICES,):
            continue
        if parts[0] == _COURSES:
            _copy_once(path, home.courses.joinpath(*parts[1:]))
            continue
        target = home.inbox.joinpath(*parts)
        target.parent.mkdir(parents=True, exist_ok=True)
        # Under a name that a watcher leaves alone, until it is whole.
        building = target.with_name(f".{target.name}.part")
        shutil.copyfile(path, building)
        building.replace(target)
        dropped.append(target)
    return tuple(dropped)


def _copy_once(path: Path, target: Path) -> None:
    if not target.exists():
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(path, target)


def _find_broken(outcomes: Sequence[FileOutcome]) -> frozenset[str]:
    """Return the names of exports that are broken on purpose."""
    return frozenset(
        outcome.name for outcome in outcomes if any(mark in outcome.name for mark in BROKEN_MARKS)
    )
