"""`coworn report`: writes pages and figures again, or the set to be published."""

from __future__ import annotations

import contextlib
from functools import partial
from typing import TYPE_CHECKING

from flows.console import terminal
from flows.session.home import is_inside, open_existing_home
from flows.session.log import begin_log
from flows.session.umask import user_umask
from tasks.core.errors import UsageError

if TYPE_CHECKING:
    from pathlib import Path


def run_report(
    folder: Path | None, *, workout: str | None = None, target: Path | None = None, quiet: bool
) -> int:
    """Write what changed into the home's report, or what may be published into `target`.

    Raises: UsageError for a workout that is not there, a target inside the home or one that holds
    pages of somebody else's; CowornError when nothing was published yet.
    """
    from tasks.guard import load_line_isolated
    from tasks.report import find_foreign, list_waiting, write_report
    from tasks.store import connect_for_reading

    opened = open_existing_home(folder)
    home = opened.home
    begin_log(home)
    if target is not None and is_inside(target, home):
        raise UsageError(
            f"{target}: the set to be published does not go into the home folder; name another one"
        )
    foreign = None if target is None else find_foreign(target)
    if foreign is not None:
        raise UsageError(
            f"{target}: {foreign} in there was not written by coworn and would be written over; "
            "name a folder of its own"
        )
    connection = connect_for_reading(home)
    try:
        with contextlib.nullcontext() if target is None else user_umask():
            report = write_report(
                connection,
                home.report if target is None else target,
                settings=opened.settings,
                waiting=list_waiting(home.inbox),
                only=workout,
                public=target is not None,
                most_figures=None,
                courses=partial(
                    load_line_isolated, courses=home.courses, settings=opened.settings.read
                ),
            )
    except LookupError as error:
        raise UsageError(
            f"{workout}: there is no such workout; the index of the report lists them all"
        ) from error
    finally:
        connection.close()
    console = terminal.make_console(quiet=quiet)
    console.print(
        f"{report.written} of {report.pages} pages written\nreport: {terminal.clean(report.index)}"
    )
    return 0
