"""The lake: recordings and pairs as Parquet files that appear whole or not at all.

One folder per table, one per recording below it (`samples/recording_id=<id>/samples.parquet`), so
that a query engine gives the key as a column. `samples` is always written, last, and carries the
header: a recording is in the lake when its samples are.
"""

from __future__ import annotations

import json
import os
import re
import secrets
import shutil
import time
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final

from tasks.core.durable import sync_folder
from tasks.core.recording import Header, Recording, Remark
from tasks.tables.arrow import make_empty, make_table
from tasks.tables.tables import LAKE_TABLES, PAIRS, RECORDING_TABLES, SAMPLES, Table

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    import pyarrow as pa

#: Folder key of the files without rows that keep the views working in an empty lake.
NOBODY: Final = "none"
_SUFFIX: Final = ".building"
_HEADER_KEY: Final = b"recording"
_SAFE_KEY: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*")
#: A file under construction for longer than this was left by a run that died.
_DEAD_AFTER_S: Final = 3600.0


@dataclass(frozen=True)
class LakeFacts:
    """A recording without its tables; the span is on the device's own clock."""

    header: Header
    start_utc: datetime
    end_utc: datetime
    n_samples: int
    remarks: tuple[Remark, ...]


def ensure_lake(lake: Path) -> None:
    """Make the folders and one file without rows per table, where they are not there yet."""
    for table in LAKE_TABLES:
        path = _find_path(lake, table, NOBODY)
        if not path.exists():
            _write(make_empty(table), path)


def write_recording(recording: Recording, recording_id: str, *, lake: Path) -> None:
    """Write all tables of `recording`; what was there under this id is replaced.

    Tables without rows get no file. *Raises* ValueError for an id that is no file name.
    """
    for table in RECORDING_TABLES:
        if table is SAMPLES:
            continue
        path = _find_path(lake, table, recording_id)
        rows: pa.Table = getattr(recording, table.name)
        if rows.num_rows:
            _write(rows, path)
        else:
            _remove(path)
    samples = _with_header(recording, recording_id)
    _write(samples, _find_path(lake, SAMPLES, recording_id))


def read_recording(recording_id: str, *, lake: Path) -> Recording:
    """Read a recording back, equal to what was written.

    *Raises* LookupError when it is not in the lake.
    """
    path = _find_path(lake, SAMPLES, recording_id)
    if not path.exists():
        raise LookupError(f"recording {recording_id} is not in the lake")
    samples = _read(path)
    facts = _read_header(samples.schema.metadata or {}, n_samples=samples.num_rows)
    tables = {
        table.name: _restore(table, _find_path(lake, table, recording_id))
        for table in RECORDING_TABLES
    }
    return Recording(
        header=facts.header,
        start_utc=facts.start_utc,
        end_utc=facts.end_utc,
        remarks=facts.remarks,
        **tables,
    )


def read_facts(recording_id: str, *, lake: Path) -> LakeFacts:
    """Read what is known of a recording without its samples.

    *Raises* LookupError when it is not in the lake.
    """
    import pyarrow.parquet as pq  # noqa: PLC0415 - as in _write

    path = _find_path(lake, SAMPLES, recording_id)
    if not path.exists():
        raise LookupError(f"recording {recording_id} is not in the lake")
    with pq.ParquetFile(path) as file:
        return _read_header(file.schema_arrow.metadata or {}, n_samples=file.metadata.num_rows)


def read_rows(table: Table, key: str, *, lake: Path) -> pa.Table:
    """Read the rows of one table of the lake, in today's columns; no file gives no rows.

    `key` is the recording's id, of `pairs` the workout's.
    """
    return _restore(table, _find_path(lake, table, key))


def has_recording(recording_id: str, *, lake: Path) -> bool:
    """Say whether the recording is in the lake, whole."""
    return _find_path(lake, SAMPLES, recording_id).exists()


def list_recordings(lake: Path) -> tuple[str, ...]:
    """Return the ids of all recordings in the lake, sorted."""
    folders = (lake / SAMPLES.name).glob(f"recording_id=*/{SAMPLES.name}.parquet")
    keys = (path.parent.name.partition("=")[2] for path in folders)
    return tuple(sorted(key for key in keys if key != NOBODY))


def remove_recording(recording_id: str, *, lake: Path) -> None:
    """Take a recording out, its samples first; one that is not there is no error."""
    for table in (SAMPLES, *(other for other in RECORDING_TABLES if other is not SAMPLES)):
        _remove(_find_path(lake, table, recording_id))


def write_pairs(pairs: pa.Table, workout_id: str, *, lake: Path) -> None:
    """Write the pairs of one workout; what was there is replaced, no rows mean no file."""
    path = _find_path(lake, PAIRS, workout_id)
    if pairs.num_rows:
        _write(pairs, path)
    else:
        _remove(path)


def remove_pairs(workout_id: str, *, lake: Path) -> None:
    """Take the pairs of one workout out; none there is no error."""
    _remove(_find_path(lake, PAIRS, workout_id))


def sweep(lake: Path, *, dead_after_s: float = _DEAD_AFTER_S) -> tuple[str, ...]:
    """Remove what a run that died left behind, and give the removed names, sorted.

    That is: files under construction, tables of recordings that have no samples, empty folders;
    each only when it was not touched for `dead_after_s`, since another run may be writing.
    """
    removed: list[str] = []
    if not lake.exists():
        return ()
    for path in sorted(lake.rglob("*")):
        is_dead = path.is_file() and _is_left_over(path, lake) and _is_old(path, dead_after_s)
        if is_dead:
            path.unlink(missing_ok=True)
            removed.append(path.relative_to(lake).as_posix())
    for folder in lake.glob("*/*=*"):
        if folder.is_dir() and not any(folder.iterdir()) and _is_old(folder, dead_after_s):
            shutil.rmtree(folder, ignore_errors=True)
    return tuple(removed)


def _find_path(lake: Path, table: Table, key: str) -> Path:
    if not _SAFE_KEY.fullmatch(key):
        raise ValueError(f"key {key!r} cannot be part of a file name")
    column = "workout_id" if table is PAIRS else "recording_id"
    return lake / table.name / f"{column}={key}" / f"{table.name}.parquet"


def _read_header(metadata: Mapping[bytes, bytes], *, n_samples: int) -> LakeFacts:
    facts: dict[str, Any] = json.loads(metadata[_HEADER_KEY])
    return LakeFacts(
        header=Header(**facts["header"]),
        start_utc=datetime.fromisoformat(facts["start_utc"]),
        end_utc=datetime.fromisoformat(facts["end_utc"]),
        n_samples=n_samples,
        remarks=tuple(Remark(**remark) for remark in facts["remarks"]),
    )


def _with_header(recording: Recording, recording_id: str) -> pa.Table:
    facts = {
        "recording_id": recording_id,
        "header": asdict(recording.header),
        "start_utc": recording.start_utc.isoformat(),
        "end_utc": recording.end_utc.isoformat(),
        "remarks": [asdict(remark) for remark in recording.remarks],
    }
    samples = recording.samples
    metadata = {**(samples.schema.metadata or {}), _HEADER_KEY: json.dumps(facts).encode()}
    return samples.replace_schema_metadata(metadata)


def _write(rows: pa.Table, path: Path) -> None:
    """Write to a name that no `*.parquet` glob finds, make it durable, then rename it."""
    import pyarrow.parquet as pq  # noqa: PLC0415 - commands that need no Parquet start faster

    path.parent.mkdir(parents=True, exist_ok=True)
    building = path.parent / f".{path.name}.{secrets.token_hex(4)}{_SUFFIX}"
    try:
        with building.open("wb") as file:
            pq.write_table(rows, file, compression="zstd")
            file.flush()
            os.fsync(file.fileno())
        building.replace(path)
    except BaseException:
        building.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)


def _read(path: Path) -> pa.Table:
    # ParquetFile, since read_table would add the folder's key as a column.
    import pyarrow.parquet as pq  # noqa: PLC0415 - as in _write

    with pq.ParquetFile(path) as file:
        return file.read()


def _restore(table: Table, path: Path) -> pa.Table:
    """Read a table in today's columns: new ones are missing, those that are gone are left out."""
    if not path.exists():
        return make_empty(table)
    rows = _read(path)
    known = [name for name in rows.column_names if name in table.column_names]
    return make_table(table, {name: rows.column(name) for name in known})


def _remove(path: Path) -> None:
    path.unlink(missing_ok=True)
    try:
        path.parent.rmdir()
    except OSError:
        # Not there, or another run is writing into it: both are fine.
        return


def _is_left_over(path: Path, lake: Path) -> bool:
    if path.name.endswith(_SUFFIX):
        return True
    column, _, key = path.parent.name.partition("=")
    is_table = column == "recording_id" and path.suffix == ".parquet"
    return is_table and not _find_path(lake, SAMPLES, key).exists()


def _is_old(path: Path, dead_after_s: float) -> bool:
    try:
        return time.time() - path.stat().st_mtime >= dead_after_s
    except FileNotFoundError:
        return False
