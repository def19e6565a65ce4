"""`coworn nightly` and `coworn rebuild`, run in this process."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flows import terminal
from flows.configuration import open_home, start_log
from flows.runtime import Engine, prepare

if TYPE_CHECKING:
    from pathlib import Path


def run_nightly(folder: Path | None, *, debug: bool = False, quiet: bool = False) -> int:
    """Run the batch of the night now."""
    home = open_home(folder).home
    start_log(home)
    prepare(home, debug=debug)
    engine = Engine(home)
    engine.begin()
    from flows.nightly import nightly
    from flows.outcome import show_new_rows, show_nightly

    console = terminal.make_console(quiet=quiet)
    try:
        with engine.running(heartbeat=True), terminal.show_progress(quiet=quiet):
            report = nightly(home=home.root)
    finally:
        engine.stop()
    code = show_nightly(report, console=console)
    show_new_rows(report.settled, console=console, home=home)
    return code


def run_rebuild(folder: Path | None, *, debug: bool = False, quiet: bool = False) -> int:
    """Make lake and store again from the originals."""
    home = open_home(folder).home
    start_log(home)
    prepare(home, debug=debug)
    engine = Engine(home)
    engine.begin()
    from flows.outcome import count_outcomes, describe_settled, tell_troubles
    from flows.rebuild import rebuild

    console = terminal.make_console(quiet=quiet)
    try:
        with engine.running(heartbeat=True), terminal.show_progress(quiet=quiet):
            report = rebuild(home=home.root)
    finally:
        engine.stop()
    code = tell_troubles(report.outcomes, report.settled)
    console.print(
        f"rebuilt from the originals: {count_outcomes(report.outcomes)}; "
        f"{describe_settled(report.settled)}; the store of before is "
        f"{terminal.clean(report.backup)}"
    )
    return code
