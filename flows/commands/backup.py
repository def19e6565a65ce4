"""`coworn backup`: what a home cannot make again, copied to another place."""

from __future__ import annotations

from typing import Annotated

import typer

from flows.commands.declare import Options, command


@command()
def backup(
    options: Options,
    to: Annotated[
        str | None,
        typer.Option(
            "--to", metavar="PLACE", help="Folder or address; else backup.to of the settings."
        ),
    ] = None,
    verify: Annotated[
        bool,
        typer.Option("--verify", help="Read back all that lies there, not only what is new."),
    ] = False,
) -> int:
    """Copy what is new to a folder on another disk, or to any address that fsspec knows.

    Originals with notes, devices, settings, courses, layouts, plans, and checked copies of ledger
    and store. `coworn restore` makes a home of it.
    Raises: UsageError without a place.
    """
    from datetime import UTC, datetime

    from flows.commands.opening import open_work
    from flows.console import terminal
    from flows.runs.away import run_backup
    from tasks.core.errors import UsageError

    with open_work(options) as work:
        place = to or work.session.settings.backup.to
        if not place:
            raise UsageError("say where: coworn backup --to FOLDER, or set backup.to")
        done = run_backup(work.session, place, now=datetime.now(UTC), deep=verify)
        work.console.print(
            f"{done.n_files} files backed up to {terminal.clean(place)}: {done.n_copied} copied "
            f"({done.n_bytes / 1e6:.1f} MB) and read back, the others there already"
        )
    return 0
