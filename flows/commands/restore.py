"""`coworn restore`: a new home from a backup in another place."""

from __future__ import annotations

from typing import Annotated

import typer

from flows.commands.declare import Options, command


@command()
def restore(
    options: Options,
    source: Annotated[
        str, typer.Argument(metavar="FROM", help="The folder or address of coworn backup.")
    ],
) -> int:
    """Make a new home from the newest backup in another place.

    Every file is compared with its hash; what was not backed up is made again, as by coworn repair.
    Raises: CowornError for a home that holds something.
    """
    from config.home import find_home
    from flows.commands.repair import repair
    from tasks.archive.away import restore_away

    home = find_home(options.home)
    n_files = restore_away(source, home=home)
    options.make_console().print(f"{n_files} files restored")
    return int(repair(options))
