"""`coworn export`: the open-data package that is published beside a verdict."""

from __future__ import annotations

import contextlib
import functools
from typing import TYPE_CHECKING, Final

from flows.console import terminal
from flows.session.home import open_existing_home
from flows.session.umask import user_umask

if TYPE_CHECKING:
    from pathlib import Path

    from rich.console import Console

    from config.settings import Settings
    from tasks.package import Written

_MEGABYTE: Final = 1_000_000


def run_export(folder: Path, home_folder: Path | None, *, quiet: bool) -> int:
    """Write the package into `folder`, which must be new, empty or an earlier package.

    Raises: UsageError for another folder; CowornError when nothing was published yet.
    """
    from tasks.archive.lake import read_rows
    from tasks.guard import load_line_isolated
    from tasks.package import require_place, write_package
    from tasks.store import connect_for_reading

    opened = open_existing_home(home_folder)
    home = opened.home
    place = require_place(folder, home=home.root)
    with (
        contextlib.closing(connect_for_reading(home)) as connection,
        terminal.show_progress(quiet=quiet),
        user_umask(),
    ):
        written = write_package(
            connection,
            place,
            settings=opened.settings,
            read_rows=functools.partial(read_rows, lake=home.lake),
            load_line=functools.partial(
                load_line_isolated, courses=home.courses, settings=opened.settings.read
            ),
            tell=lambda done, total: terminal.report_progress(done, total, "exporting"),
        )
    _tell(written, place, opened.settings, console=terminal.make_console(quiet=quiet))
    return 0


def _tell(written: Written, place: Path, settings: Settings, *, console: Console) -> None:
    """Say what was written, and what its publisher must know."""
    console.print(
        f"{_count(written.n_tables, 'table')} with {_count(written.n_rows, 'row')}, "
        f"{_count(written.n_tracks, 'track')}, {_count(written.n_courses, 'course')}, "
        f"{max(1, round(written.n_bytes / _MEGABYTE))} MB"
    )
    n_places = len(settings.report.private)
    console.print(
        f"positions hidden inside {_count(n_places, 'private place')}"
        if n_places
        else "no private place is set (report.private): every position is in it"
    )
    console.print(
        f"licence: {settings.export.licence}"
        if settings.export.licence
        else "no licence is claimed; set export.licence, e.g. CC-BY-4.0, if you want to give one"
    )
    console.print(f"package: {terminal.clean(place / 'datapackage.json')}")


def _count(number: int, thing: str) -> str:
    return f"{number:,} {thing}{'' if number == 1 else 's'}"
