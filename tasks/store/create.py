"""A store without rows: a file that is made once and copied for each home.

What a reader sees in it is there from the start: tables, wide tables, and the views that do not
depend on where the home lies.
"""

from __future__ import annotations

import functools
import os
import tempfile
import uuid
from pathlib import Path

import duckdb

from tasks.core.durable import sync_folder
from tasks.core.errors import UsageError
from tasks.store.ddl import (
    BUILDING,
    STORAGE_VERSION,
    create_facts,
    create_tables,
    hash_declarations,
    quote_text,
    sync_file,
)
from tasks.store.views import build_store_views
from tasks.store.wide import define_wide, renew_views


def create_store(path: Path) -> None:
    """Create the store at `path` unless it exists.

    It is built under another name and then given its own, so that nobody ever opens half a store.
    Raises UsageError for a path that DuckDB cannot use.
    """
    if path.exists():
        return
    if "?" in str(path):
        # DuckDB takes what follows for options and looks for its log somewhere else.
        raise UsageError(
            f"{path.parent}: DuckDB cannot work in a folder with '?' in its path; "
            "choose another --home"
        )
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    building = path.with_name(f".{path.stem}-{uuid.uuid4().hex}{BUILDING}")
    try:
        building.write_bytes(build_empty())
        building.chmod(0o600)
        sync_file(building)
        _give_name(building, path)
        sync_folder(path.parent)
    finally:
        building.unlink(missing_ok=True)


def build_empty() -> bytes:
    """Return a store without rows, as a file; a program that makes many homes builds it once."""
    return _build_as_declared(hash_declarations())


@functools.lru_cache(maxsize=1)
def _build_as_declared(_declarations: str) -> bytes:
    with tempfile.TemporaryDirectory() as folder, duckdb.connect() as connection:
        path = Path(folder) / "store.duckdb"
        connection.execute(
            f"ATTACH {quote_text(str(path))} AS made "
            f"(STORAGE_VERSION {quote_text(STORAGE_VERSION)})"
        )
        connection.execute("USE made")
        connection.execute("BEGIN")
        create_tables(connection)
        create_facts(connection)
        renew_views(connection, build_store_views())
        define_wide(connection)
        connection.execute("COMMIT")
        connection.execute("USE memory")
        connection.execute("DETACH made")
        return path.read_bytes()


def _give_name(building: Path, path: Path) -> None:
    """Call the finished file `path` unless that exists: a second creator keeps the first's."""
    try:
        os.link(building, path)
    except (FileExistsError, FileNotFoundError):
        if not path.exists():
            raise  # swept away as a left-over although nobody else has made a store
    except OSError:  # a disk without hard links
        if not path.exists():
            building.rename(path)
