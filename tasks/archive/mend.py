"""Takes damaged parts of the lake and of the ledger away, so that they are made again."""

from __future__ import annotations

import contextlib
import re
import sqlite3
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from tasks.archive.lake import remove_pairs, remove_recording
from tasks.archive.ledger import Ledger
from tasks.tables.tables import LAKE_TABLES, PAIRS, SAMPLES

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path
    from typing import Any

    from config.home import Home

_KEY: Final = re.compile(r"(?:recording_id|workout_id)=([A-Za-z0-9][A-Za-z0-9_-]*)")
_SIDES: Final = ("", "-wal", "-shm", ".wal")
#: What stands in `files` of the store about an original; the ledger has the same columns.
FILE_COLUMNS: Final = ("file_id", "name", "folder", "inside", "bytes", "received_at")


def mend_lake(lake: Path, *, deep: bool) -> list[str]:
    """Take damaged files out of the lake; return their paths inside it.

    A recording goes with all its tables, so that it is read again from its original. `deep` reads
    every value of every table, else only the ends of the samples' files are looked at.
    """
    tables = LAKE_TABLES if deep else (SAMPLES,)
    damaged = []
    for table in tables:
        for path in sorted((lake / table.name).glob(f"*=*/{table.name}.parquet")):
            key = _KEY.fullmatch(path.parent.name)
            if key is None or _can_be_read(path, deep=deep):
                continue
            damaged.append(path.relative_to(lake).as_posix())
            remove = remove_pairs if table is PAIRS else remove_recording
            remove(key[1], lake=lake)
            path.unlink(missing_ok=True)
    return damaged


def _can_be_read(path: Path, *, deep: bool) -> bool:
    import pyarrow as pa  # noqa: PLC0415 - slow to import
    import pyarrow.parquet as pq  # noqa: PLC0415 - slow to import

    try:
        with pq.ParquetFile(path) as file:
            if deep:
                file.read().validate(full=True)
    except FileNotFoundError:
        return True  # another run took it away, and puts a new one there
    except (OSError, ValueError, pa.ArrowException):
        return False
    return True


def is_ledger_whole(path: Path) -> bool:
    """Say whether a ledger opens and passes SQLite's own check."""
    if not path.is_file():
        return False
    try:
        with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
            checked = connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            connection.execute("SELECT count(*) FROM files").fetchall()
            return checked
    except sqlite3.Error:
        return False


def move_aside(path: Path, *, home: Home) -> Path:
    """Move a damaged file with what lies beside it into `state/damaged/`; return where it is."""
    stamp = f"{datetime.now(UTC):%Y%m%dT%H%M%S%fZ}"
    folder = home.state / "damaged" / stamp
    folder.mkdir(mode=0o700, parents=True)
    for side in _SIDES:
        part = path.with_name(path.name + side)
        if part.exists():
            part.rename(folder / part.name)
    return folder / path.name


def adopt_files(home: Home, rows: list[Mapping[str, Any]]) -> int:
    """Enter files into the ledger that it does not know, by what the store says.

    Returns how many.
    """
    with Ledger(home) as ledger:
        known = {file.file_id for file in ledger.list_files()}
        new = [row for row in rows if row["file_id"] not in known]
        # Archives first: what came in them names them.
        for row in sorted(new, key=lambda row: row["inside"] is not None):
            ledger.record_file(
                row["file_id"],
                name=row["name"],
                folder=row["folder"],
                inside=row["inside"],
                bytes=row["bytes"],
                received_at=row["received_at"],
            )
    return len(new)
