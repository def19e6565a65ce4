"""Carrying the store's tables into a new database file, for publishing and for backups."""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, BinaryIO, Final

import duckdb

from tasks.core.errors import StoreBusyError
from tasks.core.file_locks import lock_against_writers
from tasks.store.connect import connect_patiently, hold_for_this_thread
from tasks.store.ddl import (
    STORAGE_VERSION,
    create_tables,
    list_names,
    quote_name,
    quote_text,
)
from tasks.tables.tables import STORE_TABLES

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from config.home import Home

#: Names under which the two databases are attached.
STORE: Final = "store"
MADE: Final = "made"
#: The headers of a DuckDB file: that of the file and two of the database, used in turn.
_HEADER_BYTES: Final = 3 * 4096


@dataclass(frozen=True)
class Contents:
    """How much a table holds: its rows, and a sum that changes when a value does."""

    n_rows: int
    check_sum: int


@contextlib.contextmanager
def attach_store(home: Home, *, wait_s: float) -> Iterator[duckdb.DuckDBPyConnection]:
    """Return a connection in which the private store is attached as `store`, for reading.

    Writers wait meanwhile; `release_store` lets them go on earlier than the end of the block.
    Raises: StoreBusyError.
    """
    with duckdb.connect() as connection, hold_for_this_thread(home.store, wait_s=wait_s):
        connect_patiently(
            lambda: connection.execute(
                f"ATTACH {quote_text(str(home.store))} AS {STORE} (READ_ONLY)"
            ),
            home.store,
            wait_s=wait_s,
        )
        yield connection


def copy_file(home: Home, target: Path, *, wait_s: float) -> str:
    """Copy the private store's file to `target`, byte for byte; return the stamp that it had.

    Nobody can write in it meanwhile.

    The lock is of the kind that DuckDB takes itself: writers wait, readers do not. It would be
    lost when this process opened the file once more, so its other threads are kept away.
    Raises: StoreBusyError.
    """
    with hold_for_this_thread(home.store, wait_s=wait_s):
        give_up_at = time.monotonic() + wait_s
        while (stamp := _try_to_copy(home.store, target)) is None:
            if time.monotonic() > give_up_at:
                raise StoreBusyError(
                    f"{home.store.name} is being written for more than {wait_s:g} s; "
                    "nothing was published; wait for it and try again"
                )
            # Opening waits for whoever writes, names them when they take too long, and brings
            # into the file what a killed program left in the log.
            connect_patiently(
                lambda: duckdb.connect(str(home.store)), home.store, wait_s=wait_s
            ).close()
    return stamp


def read_stamp(file: BinaryIO) -> str:
    """Return what changes whenever DuckDB writes into a database's file.

    Its headers count the check points; size and time tell a file apart that took its place.
    """
    state = os.fstat(file.fileno())
    headers = hashlib.sha256(file.read(_HEADER_BYTES)).hexdigest()
    file.seek(0)
    return f"{state.st_mtime_ns} {state.st_size} {headers}"


def _try_to_copy(store: Path, target: Path) -> str | None:
    try:
        opened = store.open("rb")
    except PermissionError:  # Windows: DuckDB has it open for itself alone
        return None
    with opened as source:
        if not lock_against_writers(source.fileno()):
            return None
        if store.with_name(store.name + ".wal").exists():
            return None
        stamp = read_stamp(source)
        with target.open("xb") as made:
            target.chmod(0o600)
            shutil.copyfileobj(source, made, 1 << 20)
    return stamp


def release_store(connection: duckdb.DuckDBPyConnection) -> None:
    """Let writers have the store again."""
    connection.execute(f"DETACH {STORE}")


def copy_tables(connection: duckdb.DuckDBPyConnection, target: Path) -> None:
    """Copy the attached store's tables into the new file `target`, attached and in use as `made`.

    DuckDB keeps the order of the rows, in which append-only tables were written.
    """
    connection.execute(
        f"ATTACH {quote_text(str(target))} AS {MADE} "
        f"(STORAGE_VERSION {quote_text(STORAGE_VERSION)})"
    )
    connection.execute(f"USE {MADE}")
    connection.execute("BEGIN")
    create_tables(connection)
    for table in STORE_TABLES:
        name, columns = quote_name(table.name), list_names(table.column_names)
        connection.execute(
            f"INSERT INTO {name} ({columns}) "  # noqa: S608 - declared names only
            f"SELECT {columns} FROM {STORE}.{name}"
        )
    connection.execute("COMMIT")


def finish_copy(connection: duckdb.DuckDBPyConnection) -> None:
    """Write the new file out and let go of it."""
    connection.execute("USE memory")
    connection.execute(f"DETACH {MADE}")


def sum_contents(connection: duckdb.DuckDBPyConnection, database: str) -> dict[str, Contents]:
    """Return the contents of every table of the attached `database`; the order of rows is free."""
    contents = {}
    for table in STORE_TABLES:
        columns = list_names(table.column_names)
        rows = connection.execute(
            f"SELECT count(*), coalesce(sum(hash({columns})), 0) "  # noqa: S608 - declared names
            f"FROM {quote_name(database)}.{quote_name(table.name)}"
        ).fetchall()
        contents[table.name] = Contents(int(rows[0][0]), int(rows[0][1]))
    return contents
