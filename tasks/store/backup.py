"""Backups: dated copies of the store and of the ledger that opened and counted right."""

from __future__ import annotations

import contextlib
import re
import shutil
import sqlite3
import uuid
from dataclasses import dataclass
from datetime import UTC
from typing import TYPE_CHECKING, Final

import duckdb
from filelock import FileLock, Timeout

from tasks.core.durable import sync_folder
from tasks.core.errors import CowornError, StoreBusyError
from tasks.store.connect import DEFAULT_WAIT_S, hold_for_this_thread, prepare_store
from tasks.store.ddl import (
    BUILDING,
    create_facts,
    is_up_to_date,
    quote_text,
    sync_file,
    upgrade_store,
)
from tasks.store.publish import is_in_use, sweep_unfinished
from tasks.store.transfer import (
    STORE,
    Contents,
    attach_store,
    copy_tables,
    finish_copy,
    release_store,
    sum_contents,
)

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime
    from pathlib import Path

    from config.home import Home
    from config.settings import Settings

_STAMP: Final = "%Y%m%dT%H%M%SZ"
_STORE_COPY: Final = re.compile(r"^store-(?P<stamp>\d{8}T\d{6}Z(-\d+)?)\.duckdb$")


class BackupError(CowornError):
    """A backup could not be made or read back; the store itself is untouched."""


@dataclass(frozen=True)
class Backup:
    """A backup that was opened and compared with the store.

    `store` and `ledger` are its files, `ledger` None where there is no ledger yet; `rows` counts
    the rows of each table.
    """

    store: Path
    ledger: Path | None
    rows: dict[str, int]


def backup(
    home: Home, settings: Settings, *, now: datetime, wait_s: float = DEFAULT_WAIT_S
) -> Backup:
    """Copy store and ledger into `backups/` under the instant `now`, and check the copies.

    The copy of the store is opened again and every table's rows and values are compared with the
    original's; the ledger's copy passes SQLite's own check. The newest
    `settings.store.keep_backups` are kept. Raises BackupError, StoreBusyError.
    """
    home.backups.mkdir(mode=0o700, parents=True, exist_ok=True)
    with _hold_backups(home, wait_s=wait_s):
        sweep_unfinished(home.backups)
        stamp = _choose_stamp(home.backups, now)
        # The ledger first: what it calls settled must be in the store's copy.
        ledger = _copy_ledger(home, stamp) if home.ledger.exists() else None
        store = home.backups / f"store-{stamp}.duckdb"
        contents = _copy_store(home, store, wait_s=wait_s)
        _remove_old(home.backups, newest=stamp, keep=settings.store.keep_backups)
    return Backup(store, ledger, {name: found.n_rows for name, found in contents.items()})


def list_backups(home: Home) -> list[Path]:
    """Return the copies of the store, oldest first."""
    return [path for _, path in _list_stamps(home.backups)]


def restore_backup(path: Path, *, home: Home, wait_s: float = DEFAULT_WAIT_S) -> Path | None:
    """Put the backup `path` in the store's place; return where the store was moved to, if any.

    The backup stays as it is where it is; one of an older version is brought up to date on its way,
    as the store would have been. Afterwards the results of everything that came later must be made
    again. Raises BackupError for a file that is no store, StoreBusyError when the store is in use.
    """
    prepared = home.state / f".restored-{uuid.uuid4().hex}{BUILDING}"
    home.state.mkdir(mode=0o700, parents=True, exist_ok=True)
    try:
        shutil.copyfile(path, prepared)
        prepared.chmod(0o600)
        _bring_up_to_date(prepared, path.name)
        _open_and_sum(prepared, path.name)
        sync_file(prepared)
        with hold_for_this_thread(home.store, wait_s=wait_s):
            moved = _move_store_away(home)
            prepared.replace(home.store)
            sync_folder(home.state)
    finally:
        prepared.unlink(missing_ok=True)
        prepared.with_name(prepared.name + ".wal").unlink(missing_ok=True)
    return moved


# --- inside -----------------------------------------------------------------------------------
@contextlib.contextmanager
def _hold_backups(home: Home, *, wait_s: float) -> Iterator[None]:
    home.state.mkdir(mode=0o700, parents=True, exist_ok=True)
    lock = FileLock(home.state / "backup.lock", timeout=wait_s, mode=0o600, thread_local=False)
    try:
        with lock:
            yield
    except Timeout as error:
        raise StoreBusyError(
            f"another run has been making a backup for more than {wait_s:g} s; "
            "wait for it and try again"
        ) from error


def _copy_store(home: Home, final: Path, *, wait_s: float) -> dict[str, Contents]:
    prepare_store(home, wait_s=wait_s)
    building = final.with_name(f".{uuid.uuid4().hex}{BUILDING}")
    with attach_store(home, wait_s=wait_s) as connection:
        wanted = sum_contents(connection, STORE)
        copy_tables(connection, building)
        release_store(connection)
        create_facts(connection)
        finish_copy(connection)
    building.chmod(0o600)
    found = _open_and_sum(building, final.name)
    if found != wanted:
        differing = sorted(name for name in wanted if wanted[name] != found[name])
        building.unlink()
        raise BackupError(
            f"{final.name}: the copy differs from the store in {', '.join(differing)}; "
            "check the disk and run coworn nightly again"
        )
    sync_file(building)
    building.rename(final)
    sync_folder(final.parent)
    return found


def _bring_up_to_date(path: Path, name: str) -> None:
    """Return the copy `path` the tables of this version; `name` is the backup's, for errors."""
    try:
        with duckdb.connect(str(path)) as connection:
            upgrade_store(connection, name)
    except duckdb.Error as error:
        raise _refuse_copy(name, error) from error


def _refuse_copy(name: str, error: duckdb.Error) -> BackupError:
    return BackupError(
        f"{name}: cannot be opened as a store ({str(error).splitlines()[0]}); choose another backup"
    )


def _open_and_sum(path: Path, name: str) -> dict[str, Contents]:
    """Open the copy `path` as any program would and sum what is in it."""
    try:
        with duckdb.connect() as connection:
            connection.execute(f"ATTACH {quote_text(str(path))} AS copied (READ_ONLY)")
            connection.execute("USE copied")
            if not is_up_to_date(connection, name):
                raise BackupError(
                    f"{name}: made by another version of coworn; install that version to restore it"
                )
            return sum_contents(connection, "copied")
    except duckdb.Error as error:
        raise _refuse_copy(name, error) from error


def _copy_ledger(home: Home, stamp: str) -> Path:
    final = home.backups / f"ledger-{stamp}.sqlite"
    building = home.backups / f".{uuid.uuid4().hex}{BUILDING}"
    with (
        contextlib.closing(sqlite3.connect(home.ledger)) as source,
        contextlib.closing(sqlite3.connect(building)) as target,
    ):
        source.backup(target)
        # A copy in the write-ahead mode would need two more files beside it.
        target.execute("PRAGMA journal_mode = DELETE")
        verdict = target.execute("PRAGMA integrity_check").fetchall()
    if verdict != [("ok",)]:
        building.unlink()
        raise BackupError(
            f"{final.name}: the copy did not pass its check ({verdict[0][0]}); "
            "check the disk and run coworn nightly again"
        )
    building.chmod(0o600)
    sync_file(building)
    building.rename(final)
    sync_folder(home.backups)
    return final


def _choose_stamp(folder: Path, now: datetime) -> str:
    stamp = now.astimezone(UTC).strftime(_STAMP)
    taken = {name for name, _ in _list_stamps(folder)}
    number = 1
    chosen = stamp
    while chosen in taken:
        number += 1
        chosen = f"{stamp}-{number}"
    return chosen


def _list_stamps(folder: Path) -> list[tuple[str, Path]]:
    found = ((_STORE_COPY.match(path.name), path) for path in folder.iterdir())
    return sorted((match["stamp"], path) for match, path in found if match)


def _remove_old(folder: Path, *, newest: str, keep: int) -> None:
    for stamp, path in _list_stamps(folder)[:-keep]:
        if stamp != newest:  # a clock that was set back makes the newest look old
            path.unlink(missing_ok=True)
            (folder / f"ledger-{stamp}.sqlite").unlink(missing_ok=True)


def _move_store_away(home: Home) -> Path | None:
    if not home.store.exists():
        return None
    log = home.store.with_name(home.store.name + ".wal")
    if log.exists():
        # Opening and closing brings what a killed program left in the log into the store.
        duckdb.connect(str(home.store)).close()
    if is_in_use(home.store):
        raise StoreBusyError(
            f"{home.store.name} is open in another program; stop coworn and try again"
        )
    moved = home.backups / f"replaced-{uuid.uuid4().hex[:8]}.duckdb"
    home.backups.mkdir(mode=0o700, parents=True, exist_ok=True)
    home.store.rename(moved)
    return moved
