"""How commands that work on a home begin: the home is opened, its log, server and readers start."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flows.engine.prefect_server import Engine, prepare
from flows.session.home import open_home
from flows.session.log import begin_log

if TYPE_CHECKING:
    from pathlib import Path

    from config.home import Home


def open_engine(folder: Path | None, *, debug: bool) -> tuple[Home, Engine]:
    """Open the home and let start, while libraries are imported, what the work needs beside.

    The current folder is another one afterwards (see `prepare`).
    Raises: UsageError, SettingsError.
    """
    home = open_home(folder).home
    begin_log(home)
    prepare(home, debug=debug)
    engine = Engine(home)
    engine.begin()
    # Imported only now: the server starts meanwhile.
    from tasks.guard import warm_up

    warm_up()
    return home, engine
