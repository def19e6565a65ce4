"""Opening the private store: one writer at a time, in one short transaction.

DuckDB's own lock on the file keeps processes apart and dies with its owner; a lock of this
process keeps its threads apart, because DuckDB would let them in together.
"""

from __future__ import annotations

import contextlib
import random
import re
import threading
import time
from typing import TYPE_CHECKING, Final

import duckdb

from tasks.core.errors import StoreBusyError
from tasks.store import ddl, views
from tasks.store.create import create_store

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from config.home import Home

#: Waits between two tries grow from the first to the longest [s].
FIRST_WAIT_S: Final = 0.05
LONGEST_WAIT_S: Final = 2.0
DEFAULT_WAIT_S: Final = 60.0

_HOLDER: Final = re.compile(r"lock is held in (?P<program>.+?) \(PID (?P<process>\d+)\)")
#: What DuckDB says when somebody else has the file: another process, or another part of this one.
_BUSY_WORDS: Final = (
    "Could not set lock",
    "Unique file handle conflict",
    "different configuration",
)

_threads: Final[dict[str, threading.Lock]] = {}
_threads_guard: Final = threading.Lock()


@contextlib.contextmanager
def open_store(
    home: Home, *, wait_s: float = DEFAULT_WAIT_S
) -> Iterator[duckdb.DuckDBPyConnection]:
    """Return a connection to the private store in one transaction; create the store when needed.

    The transaction is committed when the block ends and rolled back when it raises. Besides the
    tables, the connection has the views `latest_results`, `latest_findings` and those of the
    answers across workouts. Keep the block short: while it lasts nobody else can write. It must
    not be nested in another one of the same home.

    Raises: StoreBusyError when another program holds the store for longer than `wait_s` [s].
    """
    path = home.store
    with hold_for_this_thread(path, wait_s=wait_s):
        create_store(path)
        connection = connect_patiently(lambda: duckdb.connect(str(path)), path, wait_s=wait_s)
        try:
            ddl.upgrade_store(connection, path.name)
            connection.execute("BEGIN")
            views.create_latest_views(connection, temporary=True)
            yield connection
            connection.execute("COMMIT")
        except BaseException:
            with contextlib.suppress(duckdb.Error):
                connection.execute("ROLLBACK")
            raise
        finally:
            connection.close()


@contextlib.contextmanager
def read_store(
    home: Home, *, wait_s: float = DEFAULT_WAIT_S
) -> Iterator[duckdb.DuckDBPyConnection]:
    """Return a read-only connection to the private store; the views are as in `open_store`.

    Raises: StoreBusyError.
    """
    with _read_as_declared(home, wait_s=wait_s) as connection:
        views.create_latest_views(connection, temporary=True)
        yield connection


def prepare_store(home: Home, *, wait_s: float = DEFAULT_WAIT_S) -> None:
    """Create the store, or bring an older one up to date, where that is needed.

    Raises: StoreBusyError, and ddl.StoreSchemaError for a store that cannot be brought up.
    """
    with _read_as_declared(home, wait_s=wait_s):
        pass


@contextlib.contextmanager
def _read_as_declared(home: Home, *, wait_s: float) -> Iterator[duckdb.DuckDBPyConnection]:
    """Return a connection that reads, after the store was made or brought up to date."""
    path = home.store
    with contextlib.ExitStack() as stack:
        connection = None
        if path.exists():
            connection = stack.enter_context(_read_file(path, wait_s=wait_s))
        if connection is None or not ddl.is_up_to_date(connection, path.name):
            stack.close()
            with open_store(home, wait_s=wait_s):
                pass
            connection = stack.enter_context(_read_file(path, wait_s=wait_s))
        yield connection


@contextlib.contextmanager
def _read_file(path: Path, *, wait_s: float) -> Iterator[duckdb.DuckDBPyConnection]:
    with hold_for_this_thread(path, wait_s=wait_s):
        connection = connect_patiently(
            lambda: duckdb.connect(str(path), read_only=True), path, wait_s=wait_s
        )
        try:
            yield connection
        finally:
            connection.close()


@contextlib.contextmanager
def hold_for_this_thread(path: Path, *, wait_s: float) -> Iterator[None]:
    """Keep the other threads of this process away from the database at `path`."""
    key = str(path.absolute())
    with _threads_guard:
        lock = _threads.setdefault(key, threading.Lock())
    if not lock.acquire(timeout=wait_s):
        raise StoreBusyError(
            f"{path.name} is held by another part of this program for more than {wait_s:g} s; "
            "nothing was written; try again"
        )
    try:
        yield
    finally:
        lock.release()


def connect_patiently(
    connect: Callable[[], duckdb.DuckDBPyConnection], path: Path, *, wait_s: float
) -> duckdb.DuckDBPyConnection:
    """Call `connect` until nobody else holds the file at `path`, at most for `wait_s` [s].

    Raises: StoreBusyError, which names the holder.
    """
    give_up_at = time.monotonic() + wait_s
    pause_s = FIRST_WAIT_S
    while True:
        try:
            return connect()
        except duckdb.Error as error:
            if not is_busy(error):
                raise
            if time.monotonic() + pause_s > give_up_at:
                raise StoreBusyError(describe_holder(error, path.name, wait_s)) from error
        # Uneven waits keep two programs from meeting again and again.
        time.sleep(pause_s * random.uniform(0.5, 1.0))  # noqa: S311 - no secret depends on it
        pause_s = min(LONGEST_WAIT_S, pause_s * 2.0)


def is_busy(error: duckdb.Error) -> bool:
    """Say whether `error` means that somebody else has the file open."""
    return any(words in str(error) for words in _BUSY_WORDS)


def name_holder(error: duckdb.Error) -> str:
    """Return the program that holds the file, as DuckDB tells it, with its process number."""
    holder = _HOLDER.search(str(error))
    return f"{holder['program']} (process {holder['process']})" if holder else "another program"


def describe_holder(error: duckdb.Error, name: str, wait_s: float) -> str:
    """Say in one line who has held the file `name` for longer than `wait_s` [s]."""
    return (
        f"{name} is held by {name_holder(error)} for more than {wait_s:g} s; nothing was written; "
        "close that program, or wait for it, and try again"
    )
