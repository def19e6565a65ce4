"""Publishing: a copy of the store that people may keep open for as long as they like.

Each copy is a file of its own under `published/`; the link `results.duckdb` is moved to the
newest in one step. Whoever has an older copy open keeps reading it, and nobody waits for them.
"""

from __future__ import annotations

import contextlib
import hashlib
import re
import uuid
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import duckdb
from filelock import FileLock, Timeout

from tasks.core.durable import replace_text, sync_folder
from tasks.core.errors import StoreBusyError
from tasks.core.file_locks import is_open_elsewhere
from tasks.store.connect import DEFAULT_WAIT_S, hold_for_this_thread, open_store, prepare_store
from tasks.store.ddl import (
    BUILDING,
    hash_declarations,
    quote_text,
    sync_file,
)
from tasks.store.transfer import MADE, copy_file, finish_copy, read_stamp
from tasks.store.views import View, build_views
from tasks.store.wide import drop_private, renew_views, renew_wide

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from config.home import Home
    from config.settings import Settings

#: results-<number>-<mark>.duckdb; the number counts the copies, the mark tells contents apart.
_COPY: Final = re.compile(r"^results-(?P<number>\d+)-(?P<mark>[0-9a-f]{12})\.duckdb$")


@dataclass(frozen=True)
class Published:
    """The newest copy, and whether it was made just now or already said the same."""

    path: Path
    is_new: bool


def publish(home: Home, settings: Settings, *, wait_s: float = DEFAULT_WAIT_S) -> Published:
    """Publish what the store holds; do nothing when the newest copy already says the same.

    Old copies are removed, except the newest `settings.store.keep_published` and those that
    somebody has open or has written in. Raises StoreBusyError.
    """
    home.published.mkdir(mode=0o700, parents=True, exist_ok=True)
    with _hold_publishing(home, wait_s=wait_s):
        sweep_unfinished(home.published)
        _sweep_links(home)
        prepare_store(home, wait_s=wait_s)
        # The store is there, so whoever was making one has been killed, or comes too late.
        _sweep(home.state, f"{home.store.stem}-")
        views = build_views(home.lake)
        newest = find_published(home)
        if newest is not None:
            # To close the file again would lose the lock of another thread that writes in it.
            with hold_for_this_thread(home.store, wait_s=wait_s):
                stamp = _read_stamp(home.store)
            if _has_mark(newest, _mark(stamp, views)):
                return Published(newest, is_new=False)
        with open_store(home, wait_s=wait_s) as connection:
            renew_wide(connection)
            renew_views(connection, views)
        building = home.published / f".results-{uuid.uuid4().hex}{BUILDING}"
        mark = _mark(copy_file(home, building, wait_s=wait_s), views)
        _finish(building)
        numbers = [number for number, _ in _list_copies(home.published)]
        copy = home.published / f"results-{max(numbers, default=0) + 1:06d}-{mark}.duckdb"
        sync_file(building)
        building.rename(copy)
        sync_folder(home.published)
        _move_link(home, copy)
        _remove_old(home.published, newest=copy, keep=settings.store.keep_published)
    return Published(copy, is_new=True)


def find_published(home: Home) -> Path | None:
    """Return the copy that the link, or where there can be none the pointer, names; else None."""
    try:
        if home.results.is_symlink():
            copy = home.results.parent / home.results.readlink()
        else:
            copy = home.root / home.pointer.read_text(encoding="utf-8").strip()
            if _COPY.match(copy.name) is None or copy.parent != home.published:
                return None
    except (OSError, ValueError):
        return None
    return copy if copy.is_file() else None


def sweep_unfinished(folder: Path) -> None:
    """Remove what a killed program left half built in `folder`."""
    _sweep(folder, "")


def _sweep(folder: Path, beginning: str) -> None:
    # With the logs and journals that DuckDB and SQLite keep beside a file.
    for path in folder.glob(f".{beginning}*{BUILDING}*"):
        path.unlink(missing_ok=True)


@contextlib.contextmanager
def _hold_publishing(home: Home, *, wait_s: float) -> Iterator[None]:
    """Publish one after the other, so that the link never goes back to an older copy."""
    home.state.mkdir(mode=0o700, parents=True, exist_ok=True)
    lock = FileLock(home.state / "publish.lock", timeout=wait_s, mode=0o600, thread_local=False)
    try:
        with lock:
            yield
    except Timeout as error:
        raise StoreBusyError(
            f"another run has been publishing results for more than {wait_s:g} s; "
            "wait for it and try again"
        ) from error


def _finish(building: Path) -> None:
    """Take out of a copy of the store's file what is private."""
    with duckdb.connect() as connection:
        connection.execute(f"ATTACH {quote_text(str(building))} AS {MADE}")
        connection.execute(f"USE {MADE}")
        connection.execute("BEGIN")
        drop_private(connection)
        connection.execute("COMMIT")
        finish_copy(connection)


def _mark(stamp: str, views: tuple[View, ...]) -> str:
    """Return twelve hex digits that change when the store's file, a declaration or a view does.

    Whoever writes into the store changes its stamp: no row need be read to see that none changed.
    """
    lines = [stamp, hash_declarations()]
    lines += [statement for view in views for statement in view.statements()]
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()[:12]


def _read_stamp(store: Path) -> str:
    """Return the stamp of the store's file; of one with a log beside it, one that no copy has."""
    if store.with_name(store.name + ".wal").exists():
        return uuid.uuid4().hex
    with store.open("rb") as file:
        return read_stamp(file)


def _has_mark(copy: Path, mark: str) -> bool:
    found = _COPY.match(copy.name)
    return found is not None and found["mark"] == mark


def _move_link(home: Home, copy: Path) -> None:
    """Let `results.duckdb` point to `copy`, in one step; the link is relative, so homes can move.

    A file that somebody put in the link's place is kept under another name. Where the system
    allows no links (Windows without developer mode, some drives), a text file names the copy.
    """
    if home.results.exists() and not home.results.is_symlink():
        home.results.rename(home.results.with_name(f"results-kept-{uuid.uuid4().hex[:6]}.duckdb"))
    link = home.root / f".results-{uuid.uuid4().hex}.link"
    try:
        link.symlink_to(copy.relative_to(home.root))
    except (OSError, NotImplementedError):
        replace_text(home.pointer, copy.relative_to(home.root).as_posix() + "\n")
        return
    home.pointer.unlink(missing_ok=True)
    try:
        link.replace(home.results)
    finally:
        link.unlink(missing_ok=True)
    sync_folder(home.root)


def _sweep_links(home: Home) -> None:
    """Remove links that a killed run had made but not yet put in place."""
    for path in home.root.glob(".results-*.link"):
        path.unlink(missing_ok=True)


def _list_copies(folder: Path) -> list[tuple[int, Path]]:
    found = ((_COPY.match(path.name), path) for path in folder.iterdir())
    return sorted((int(match["number"]), path) for match, path in found if match)


def _remove_old(folder: Path, *, newest: Path, keep: int) -> None:
    for _, path in _list_copies(folder)[:-keep]:
        if path != newest and not is_in_use(path):
            path.unlink(missing_ok=True)


def is_in_use(path: Path) -> bool:
    """Say whether another program has the database `path` open, or has written in it.

    A write-ahead log beside it means that somebody's own tables are in there.
    """
    if path.with_name(path.name + ".wal").exists():
        return True
    # DuckDB locks the file for as long as it is open; a reader shares its lock.
    return is_open_elsewhere(path)
