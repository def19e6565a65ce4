"""`coworn ingest`: the whole job for files that lie elsewhere."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - typer resolves the annotations at run time
from typing import TYPE_CHECKING, Annotated

import typer

from flows.commands.declare import Options, command
from tasks.core.errors import UsageError

if TYPE_CHECKING:
    from flows.run_reports import DropReport


@command()
def ingest(
    options: Options,
    paths: Annotated[
        list[Path], typer.Argument(metavar="PATH...", help="Files, folders or archives.")
    ],
) -> int:
    """Do the whole job for files that lie elsewhere; they are copied, never moved or changed.

    Raises: UsageError for a path that does not exist.
    """
    from flows.commands.opening import open_work
    from flows.inbox import MAX_DROP_FILES
    from tasks.ingest.exports import list_files

    for path in paths:
        if not path.exists():
            raise UsageError(f"{path}: there is no such file or folder; nothing was done")
    absolute = [path.absolute() for path in paths]
    with open_work(options) as work:
        files = list(list_files(absolute))
        if not files:
            raise UsageError(f"there is no file in {', '.join(str(path) for path in absolute)}")

        def show(report: DropReport) -> int:
            from flows.console.run_summary import show_drop

            return show_drop(report, console=work.console, home=work.session.home)

        codes = []
        for begin in range(0, len(files), MAX_DROP_FILES):
            part = files[begin : begin + MAX_DROP_FILES]
            codes.append(work.take(part, move=False, show=show))
    return max(codes)
