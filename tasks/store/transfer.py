"""Carrying the store's tables into a new database file, for publishing and for backups."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import duckdb

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


@dataclass(frozen=True)
class Contents:
    """How much a table holds: its rows, and a sum that changes when a value does."""

    n_rows: int
    check_sum: int


@contextlib.contextmanager
def attach_store(home: Home, *, wait_s: float) -> Iterator[duckdb.DuckDBPyConnection]:
    """Give a connection in which the private store is attached as `store`, for reading.

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


def release_store(connection: duckdb.DuckDBPyConnection) -> None:
    """Let writers have the store again."""
    connection.execute(f"DETACH {STORE}")


def copy_tables(connection: duckdb.DuckDBPyConnection, target: Path) -> None:
    """Copy the attached store's tables into the new file `target`, attached and in use as `made`.

    Rows keep their order, in which append-only tables were written.
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
            f"SELECT {columns} FROM {STORE}.{name} ORDER BY rowid"
        )
    connection.execute("COMMIT")


def finish_copy(connection: duckdb.DuckDBPyConnection, target: Path) -> None:
    """Write the new file out and let go of it; it is readable by its owner only."""
    connection.execute("USE memory")
    connection.execute(f"DETACH {MADE}")
    target.chmod(0o600)


def sum_contents(connection: duckdb.DuckDBPyConnection, database: str) -> dict[str, Contents]:
    """Give the contents of every table of the attached `database`; the order of rows is free."""
    contents = {}
    for table in STORE_TABLES:
        columns = list_names(table.column_names)
        rows = connection.execute(
            f"SELECT count(*), coalesce(sum(hash({columns})), 0) "  # noqa: S608 - declared names
            f"FROM {quote_name(database)}.{quote_name(table.name)}"
        ).fetchall()
        contents[table.name] = Contents(int(rows[0][0]), int(rows[0][1]))
    return contents
