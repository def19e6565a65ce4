"""`coworn report`: writes pages and figures again, or the set to be published."""

from __future__ import annotations

from functools import partial
from pathlib import Path  # noqa: TC003 - typer resolves the annotations at run time
from typing import TYPE_CHECKING, Annotated

import typer

from flows.commands.declare import Options, command
from flows.console import terminal
from tasks.core.errors import UsageError
from tasks.core.wording import count

if TYPE_CHECKING:
    import duckdb

    from tasks.report import Report


@command()
def report(
    options: Options,
    workout: Annotated[
        str | None,
        typer.Option("--workout", metavar="ID", help="Write this one again.", show_default=False),
    ] = None,
    publish: Annotated[
        Path | None,
        typer.Option(
            "--publish",
            metavar="DIR",
            help="Write the set to be published here; positions in private places are hidden.",
            show_default=False,
        ),
    ] = None,
) -> int:
    """Write pages and figures again, where anything changed.

    Raises: UsageError for a workout that is not there, a folder inside the home or one that holds
    pages of somebody else's; CowornError when nothing was published yet.
    """
    from flows.console.run_summary import report_complaints
    from flows.session.home import is_inside, open_existing_home
    from flows.session.locks import hold_report_lock
    from flows.session.log import begin_log
    from flows.session.umask import user_umask
    from tasks.archive.publishing_key import load_publishing_key
    from tasks.guard import load_line_isolated, load_outlines_isolated
    from tasks.report import find_foreign, list_waiting, write_report
    from tasks.store import connect_for_reading

    session = open_existing_home(options.home)
    home, settings = session.home, session.settings
    begin_log(home)
    if publish is not None and is_inside(publish, home):
        raise UsageError(
            f"{publish}: the set to be published does not go into the home folder; name another one"
        )
    foreign = None if publish is None else find_foreign(publish)
    if foreign is not None:
        raise UsageError(
            f"{publish}: {foreign} in there was not written by coworn and would be written over; "
            "name a folder of its own"
        )
    outlines = load_outlines_isolated(home.outlines, settings=settings.read)
    connection = connect_for_reading(home)
    try:
        if publish is not None:
            _warn_of_names(connection)
        lock = hold_report_lock(home, wait_s=settings.run.lock_wait_s)
        with lock if publish is None else user_umask():
            written = write_report(
                connection,
                home.report if publish is None else publish,
                settings=settings,
                waiting=list_waiting(home.inbox),
                only=workout,
                public=publish is not None,
                publishing_key=None if publish is None else load_publishing_key(home),
                most_figures=None,
                courses=partial(load_line_isolated, courses=home.courses, settings=settings.read),
                outlines=outlines,
            )
    except LookupError as error:
        raise UsageError(
            f"{workout}: there is no such workout; the index of the report lists them all"
        ) from error
    finally:
        connection.close()
    options.make_console().print(
        f"{written.written} of {written.pages} pages written\n"
        f"report: {terminal.clean(written.index)}"
    )
    if publish is not None:
        options.make_console().print(_say_hidden(written, len(settings.report.private)))
    return report_complaints(written.complaints)


def _say_hidden(written: Report, n_places: int) -> str:
    """Return what a publisher must know of private places."""
    if not n_places:
        return "no private place is set (report.private): every position is in it"
    places = count(n_places, "private place")
    if not written.workouts_written:
        return f"positions hidden inside {places}; no page of a workout was written anew"
    return (
        f"positions hidden inside {places}: {count(written.hidden.positions, 'position')} of "
        f"{count(written.workouts_written, 'workout')} written now, "
        f"{written.hidden.at_ends:,} of them at the start or end of a track"
    )


def _warn_of_names(connection: duckdb.DuckDBPyConnection) -> None:
    """Name the devices that nobody described: what they are called may hold a person's name."""
    from tasks.package.rows import find_automatic

    named = sorted(find_automatic(connection))
    if named:
        terminal.print_error(
            f"{count(len(named), 'device')} that nobody described stand in the published pages "
            f"under words of their files or folders ({', '.join(named)}); if those may not be "
            "public, describe them in devices.toml (coworn devices --write), run coworn nightly, "
            "and publish again"
        )
