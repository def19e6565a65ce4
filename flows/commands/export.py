"""`coworn export`: the open-data package that is published beside a verdict."""

from __future__ import annotations

import contextlib
import functools
from pathlib import Path  # noqa: TC003 - typer resolves the annotations at run time
from typing import TYPE_CHECKING, Annotated, Final

import typer

from flows.commands.declare import Options, command
from flows.console import terminal
from tasks.core.wording import count

if TYPE_CHECKING:
    from rich.console import Console

    from config.settings import Settings
    from tasks.package import Written

_MEGABYTE: Final = 1_000_000


@command()
def export(
    options: Options,
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", help="A new or empty folder, or an earlier package.")
    ],
) -> int:
    """Write the open-data package: tidy CSV, datapackage.json, GPX; private places hidden.

    Raises: UsageError for another folder; CowornError when nothing was published yet.
    """
    from flows.session.home import open_existing_home
    from flows.session.umask import user_umask
    from tasks.archive.lake import read_rows
    from tasks.archive.publishing_key import load_publishing_key
    from tasks.guard import load_line_isolated
    from tasks.package import require_place, write_package
    from tasks.store import connect_for_reading

    session = open_existing_home(options.home)
    home, settings = session.home, session.settings
    place = require_place(folder, home=home.root)
    with (
        contextlib.closing(connect_for_reading(home)) as connection,
        terminal.show_progress(quiet=options.quiet),
        user_umask(),
    ):
        written = write_package(
            connection,
            place,
            settings=settings,
            key=load_publishing_key(home),
            read_rows=functools.partial(read_rows, lake=home.lake),
            load_line=functools.partial(
                load_line_isolated, courses=home.courses, settings=settings.read
            ),
            tell=lambda done, total: terminal.report_progress(done, total, "exporting"),
        )
    _show(written, place, settings, console=options.make_console())
    return 0


def _show(written: Written, place: Path, settings: Settings, *, console: Console) -> None:
    """Say what was written, and what its publisher must know."""
    console.print(
        f"{count(written.n_tables, 'table')} with {count(written.n_rows, 'row')}, "
        f"{count(written.n_tracks, 'track')}, {count(written.n_courses, 'course')}, "
        f"{max(1, round(written.n_bytes / _MEGABYTE))} MB"
    )
    n_places = len(settings.report.private)
    console.print(
        f"positions hidden inside {count(n_places, 'private place')}"
        if n_places
        else "no private place is set (report.private): every position is in it"
    )
    console.print(
        f"licence: {settings.export.licence}"
        if settings.export.licence
        else "no licence is claimed; set export.licence, e.g. CC-BY-4.0, if you want to give one"
    )
    console.print(f"package: {terminal.clean(place / 'datapackage.json')}")
