"""`coworn ingest`: the whole job for files that lie elsewhere."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flows.commands.work import open_engine
from flows.console import terminal
from tasks.core.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path


def run_ingest(
    paths: Sequence[Path], folder: Path | None, *, debug: bool = False, quiet: bool = False
) -> int:
    """Copy the files at and below `paths` into the home and settle their workouts.

    Raises: UsageError for a path that does not exist.
    """
    for path in paths:
        if not path.exists():
            raise UsageError(f"{path}: there is no such file or folder; nothing was done")
    paths = [path.absolute() for path in paths]
    home, engine = open_engine(folder, debug=debug)
    from flows.console.run_summary import EXIT_DONE, show_drop
    from flows.drop import drop
    from flows.inbox import MAX_DROP_FILES
    from tasks.ingest.exports import list_files

    files = list(list_files(paths))
    if not files:
        raise UsageError(f"there is no file in {', '.join(str(path) for path in paths)}")
    console = terminal.make_console(quiet=quiet)
    code = EXIT_DONE
    try:
        for begin in range(0, len(files), MAX_DROP_FILES):
            part = files[begin : begin + MAX_DROP_FILES]
            with engine.running(), terminal.show_progress(quiet=quiet):
                report = drop(home=home.root, files=part, move=False)
            code = max(code, show_drop(report, console=console, home=home))
    finally:
        engine.stop()
    return code
