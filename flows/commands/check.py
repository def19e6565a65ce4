"""`coworn check`: is this machine fit to run it."""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Final

from flows.commands.declare import Options, command
from flows.console import terminal
from tasks.core.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from config.home import Home
    from config.settings import Settings

#: Libraries whose release decides what can be read or written.
_LIBRARIES: Final = ("prefect", "duckdb", "pyarrow", "pandas", "numpy", "watchdog", "fitparse")
_OLDEST_PYTHON: Final = (3, 11)
_FIRST_UNTRIED_PYTHON: Final = (3, 14)
#: Watches that a large inbox with sub-folders may need.
_FEWEST_WATCHES: Final = 1024
_FEWEST_FREE_BYTES: Final = 1_000_000_000
_WATCH_LIMIT: Final = Path("/proc/sys/fs/inotify/max_user_watches")


@dataclass(frozen=True)
class Verdict:
    """One thing that was looked at. `remedy` says what to do when it is not fit."""

    name: str
    found: str
    is_fit: bool
    remedy: str = ""


@command()
def check(options: Options) -> int:
    """Say whether this machine is fit to run it: versions, folders, watch limits, Prefect."""
    from flows.engine.environment import prepare_environment
    from flows.session.home import open_home

    session = open_home(options.home)
    prepare_environment(session.home)
    console = options.make_console()
    code = 0
    for verdict in look_at_everything(session.home, session.settings):
        line = f"{verdict.name}: {terminal.clean(verdict.found)}"
        if verdict.is_fit:
            console.print(f"ok    {line}")
        else:
            code = 1
            console.print(f"wrong {line}")
            terminal.print_error(f"{verdict.name}: {verdict.found}; {verdict.remedy}")
    return code


def look_at_everything(home: Home, settings: Settings) -> Iterator[Verdict]:
    """Look at versions, folders, disk, watch limits and Prefect's settings."""
    yield _look_at_python()
    for name in _LIBRARIES:
        yield _look_at_library(name)
    for path in (home.inbox, home.originals, home.lake, home.state, home.published):
        yield _look_at_folder(path)
    yield _look_at_disk(home)
    yield _look_at_drive(home)
    yield _look_at_links(home)
    yield _look_at_originals(home)
    if not settings.inbox.polling and sys.platform == "linux":
        yield _look_at_watches()
    if settings.run.runner == "dask":
        yield _look_at_dask(settings)
    yield from _look_at_prefect(home)


def _look_at_python() -> Verdict:
    version = sys.version_info[:2]
    return Verdict(
        "Python",
        sys.version.split()[0],
        _OLDEST_PYTHON <= version < _FIRST_UNTRIED_PYTHON,
        "use Python 3.11, 3.12 or 3.13",
    )


def _look_at_library(name: str) -> Verdict:
    try:
        return Verdict(name, metadata.version(name), is_fit=True)
    except metadata.PackageNotFoundError:
        return Verdict(name, "not installed", is_fit=False, remedy="pip install -e . again")


def _look_at_folder(path: Path) -> Verdict:
    try:
        with tempfile.NamedTemporaryFile(dir=path, prefix=".check-"):
            return Verdict("folder", f"{path} can be written", is_fit=True)
    except OSError as error:
        return Verdict(
            "folder",
            f"{path} cannot be written ({error.strerror})",
            is_fit=False,
            remedy="give yourself the right to write there, or choose another --home",
        )


def _look_at_disk(home: Home) -> Verdict:
    free = shutil.disk_usage(home.root).free
    return Verdict(
        "disk",
        f"{free / 1e9:.1f} GB free",
        free >= _FEWEST_FREE_BYTES,
        "make room: originals, lake and copies need about ten times what is dropped",
    )


def _look_at_drive(home: Home) -> Verdict:
    from flows.session.drives import find_remote_drive

    remote = find_remote_drive(home.state)
    return Verdict(
        "drive",
        "on this machine" if remote is None else f"{home.state} is on a network drive ({remote})",
        remote is None,
        "put the home on a disk of this machine: ledger and store are not safe over a network; "
        "exports may lie on a network drive (coworn ingest)",
    )


def _look_at_dask(settings: Settings) -> Verdict:
    from flows.engine.task_runner import check_dask

    try:
        check_dask(settings)
    except UsageError as error:
        return Verdict("Dask", str(error), is_fit=False, remedy='or set runner = "processes"')
    found = settings.run.dask_address or "installed"
    return Verdict("Dask", found, is_fit=True)


def _look_at_links(home: Home) -> Verdict:
    try:
        with tempfile.TemporaryDirectory(dir=home.state) as scratch:
            (Path(scratch) / "link").symlink_to("target")
    except OSError as error:
        return Verdict(
            "links",
            f"none can be made in {home.state} ({error.strerror})",
            is_fit=False,
            remedy="put the home on a disk that can be written and knows symbolic links",
        )
    return Verdict("links", "can be made", is_fit=True)


def _look_at_originals(home: Home) -> Verdict:
    from tasks.archive.rot import list_damaged

    damaged = list_damaged(home)
    return Verdict(
        "originals",
        ", ".join(f"{name} ({path}) is damaged" for name, path in damaged)
        or "none known as damaged",
        is_fit=not damaged,
        remedy="drop each of these files again: the whole bytes take the place of the damaged ones",
    )


def _look_at_watches() -> Verdict:
    try:
        limit = int(_WATCH_LIMIT.read_text())
    except (OSError, ValueError):
        return Verdict("watches", "the limit is not known here", is_fit=True)
    return Verdict(
        "watches",
        f"{limit} allowed",
        limit >= _FEWEST_WATCHES,
        f"raise {_WATCH_LIMIT.name}, or set polling = true under [inbox] in coworn.toml",
    )


def _look_at_prefect(home: Home) -> Iterator[Verdict]:
    from prefect.settings import get_current_settings

    from flows.engine.environment import DEFAULT_API_URL, find_api_url, is_server_up

    current = get_current_settings()
    yield Verdict(
        "Prefect's home",
        str(current.home),
        Path(current.home) == home.prefect,
        "unset PREFECT_HOME",
    )
    silent = not current.server.analytics_enabled and os.environ.get("DO_NOT_TRACK") == "1"
    yield Verdict(
        "telemetry",
        "off" if silent else "on",
        silent,
        "unset PREFECT_SERVER_ANALYTICS_ENABLED",
    )
    named = find_api_url()
    if named is None:
        up = is_server_up(DEFAULT_API_URL)
        found = f"one answers at {DEFAULT_API_URL} (coworn serve)" if up else "none is needed"
        yield Verdict("Prefect server", found, is_fit=True)
    else:
        yield Verdict(
            "Prefect server",
            f"{named} {'answers' if is_server_up(named) else 'does not answer'}",
            is_server_up(named),
            "start it (prefect server start) or unset PREFECT_API_URL",
        )
