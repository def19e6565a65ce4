"""What must hold of a home however often its programs were killed."""

from __future__ import annotations

import gzip
import hashlib
import shutil
import zipfile
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final

import duckdb
import pyarrow.parquet as pq

from config.home import Home
from tasks.archive.ledger import Ledger
from tasks.store import list_backups, read_store

DEMO: Final = Path(__file__).resolve().parents[2] / "inbox_demo"
#: Columns that tell when and by which run a row was made, not what it says.
PASSING_COLUMNS: Final = frozenset({"run_id", "computed_at", "received_at"})
COMPARED_TABLES: Final = (
    "files",
    "devices",
    "recordings",
    "workouts",
    "alignments",
    "segments",
    "setups",
    "notes",
    "results",
    "findings",
)


def write_exports(folder: Path) -> dict[str, bytes]:
    """Write a drop of every kind; return the bytes by name.

    A workout in FIT and CSV with notes, one as FIT and GPX of the same device, one in a zip
    archive, a damaged file, one file again under another name, and once more gzipped; a table
    without a zone, which the notes give.
    """
    folder.mkdir(parents=True)
    for pattern in ("*-strength-*", "*-strength.notes.toml", "*-track-laps-alder-1.*", "*damaged*"):
        for path in DEMO.glob(pattern):
            shutil.copyfile(path, folder / path.name)
    again = (folder / "2025-11-26-strength-alder-2.fit").read_bytes()
    (folder / "again.fit").write_bytes(again)
    (folder / "packed.fit.gz").write_bytes(gzip.compress(again, mtime=0))
    local = datetime(2025, 11, 26, 17, 31)  # noqa: DTZ001 - that is what it is about
    rows = (f"{local + timedelta(seconds=n):%Y-%m-%dT%H:%M:%S},{100 + n % 40}" for n in range(600))
    (folder / "local.csv").write_text("time,heart_rate\n" + "\n".join(rows) + "\n")
    with zipfile.ZipFile(folder / "pool.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(DEMO.glob("*-pool-[ah]*[2l].fit")):
            archive.write(path, path.name)
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def make_home(root: Path) -> Home:
    """Make a home that knows the demo's devices."""
    home = Home(root)
    home.create()
    shutil.copyfile(DEMO / "devices.toml", home.devices)
    return home


def hash_bytes(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


@dataclass(frozen=True)
class Contents:
    """What a home says.

    Rows by table, a hash of the rows of each file of the lake, names in `refused/`, the hash of
    each original by its name's, names of the report's pages.
    """

    tables: dict[str, list[tuple[Any, ...]]] = field(default_factory=dict)
    lake: dict[str, str] = field(default_factory=dict)
    refused: tuple[str, ...] = ()
    originals: dict[str, str] = field(default_factory=dict)
    pages: tuple[str, ...] = ()


def read_contents(home: Home) -> Contents:
    """Read everything that two homes with the same exports must agree on."""
    tables = {}
    with duckdb.connect(str(home.results), read_only=True) as connection:
        for table in COMPARED_TABLES:
            columns = [
                name
                for name, *_ in connection.execute(f"DESCRIBE {table}").fetchall()
                if name not in PASSING_COLUMNS
            ]
            chosen = ", ".join(columns)
            tables[table] = sorted(
                connection.execute(f"SELECT {chosen} FROM {table}").fetchall(),  # noqa: S608 - names of our own
                key=repr,
            )
    lake = {
        path.relative_to(home.lake).as_posix(): hash_bytes(
            repr(pq.ParquetFile(path).read().to_pylist()).encode()
        )
        for path in home.lake.rglob("*.parquet")
    }
    return Contents(
        tables=tables,
        lake=lake,
        refused=tuple(sorted(path.name for path in home.refused.iterdir())),
        originals=read_originals(home),
        pages=tuple(sorted(path.name for path in home.report.rglob("*.html"))),
    )


def read_originals(home: Home) -> dict[str, str]:
    """Return the hash of each archived original by the hash in its name."""
    return {
        path.name.split(".")[0]: hash_bytes(path.read_bytes())
        for path in home.originals.glob("??/*")
    }


def list_broken(home: Home, exports: dict[str, bytes]) -> list[str]:
    """Return what a kill broke for good: one line each, none when nothing is lost or half done."""
    broken = []
    originals = read_originals(home)
    broken += [
        f"original {file_id} holds other bytes"
        for file_id, found in originals.items()
        if file_id != found
    ]
    in_inbox = {path.name: path.read_bytes() for path in home.inbox.iterdir() if path.is_file()}
    for name, data in exports.items():
        if hash_bytes(data) not in originals and in_inbox.get(name) != data:
            broken.append(f"{name} is neither in the inbox nor archived")
    for path in home.lake.rglob("*.parquet"):
        try:
            pq.ParquetFile(path).read()
        except Exception as error:  # noqa: BLE001 - whatever the reader throws is the finding
            broken.append(f"{path.relative_to(home.root)} cannot be read: {error}")
    broken += [
        f"{path.relative_to(home.root)} is cut"
        for path in home.report.rglob("*.html")
        if not path.read_text(encoding="utf-8").rstrip().endswith("</html>")
    ]
    return [*broken, *_list_broken_stores(home)]


def _list_broken_stores(home: Home) -> list[str]:
    broken = []
    with Ledger(home) as ledger:
        ids = [one for file in ledger.list_files() for one in file.recording_ids]
    if len(ids) != len(set(ids)):
        broken.append("the ledger names a recording twice")
    if home.store.exists():
        with read_store(home) as connection:
            twice = connection.execute(
                "SELECT workout_id FROM (SELECT DISTINCT workout_id, run_id FROM results) "
                "GROUP BY 1 HAVING count(*) > 1"
            ).fetchall()
            n_results, n_counted = connection.execute(
                "SELECT (SELECT count(*) FROM results), "
                "(SELECT coalesce(sum(n_results), 0) FROM measurements)"
            ).fetchall()[0]
        broken += [f"workout {workout_id} was measured twice" for (workout_id,) in twice]
        if n_results != n_counted:
            broken.append(f"{n_results} results, but the runs say {n_counted}")
    copies = [home.results] if home.results.is_symlink() else []
    for path in [*copies, *list_backups(home)]:
        try:
            with duckdb.connect(str(path), read_only=True) as connection:
                connection.execute("SELECT count(*) FROM results").fetchall()
        except duckdb.Error as error:
            broken.append(f"{path.name} does not open: {error}")
    return broken


def list_differences(found: Contents, expected: Contents) -> list[str]:
    """Return in which parts two homes differ."""
    differences = [
        f"table {table} differs: {_show_first(found.tables[table], expected.tables[table])}"
        for table in expected.tables
        if found.tables.get(table) != expected.tables[table]
    ]
    for part in ("lake", "refused", "originals", "pages"):
        if getattr(found, part) != getattr(expected, part):
            mine, theirs = set(getattr(found, part)), set(getattr(expected, part))
            names = sorted(mine ^ theirs) or ["contents"]
            differences.append(f"{part} differs: {', '.join(names[:4])}")
    return differences


def _show_first(found: list[tuple[Any, ...]], expected: list[tuple[Any, ...]]) -> str:
    only_found = [row for row in found if row not in expected]
    only_expected = [row for row in expected if row not in found]
    return (
        f"{len(only_found)} rows are new {only_found[:1]}, "
        f"{len(only_expected)} are missing {only_expected[:1]}"
    )


def list_leftovers(home: Home) -> list[str]:
    """Return files in the making that a finished run left behind."""
    return sorted(
        path.relative_to(home.root).as_posix()
        for path in home.root.rglob("*")
        if ".building" in path.name or path.suffix == ".link"
    )
