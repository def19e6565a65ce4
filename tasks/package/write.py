"""Writes the package: tables, lines, then what describes them."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tasks.core.instants import from_microseconds
from tasks.core.public_ids import PublicIds
from tasks.package.about import write_readme
from tasks.package.cells import write_csv
from tasks.package.descriptor import MadeTable, describe_package, seal_file
from tasks.package.lines import write_courses, write_tracks
from tasks.package.parts import PARTS, RUNS_USED
from tasks.package.place import DESCRIPTOR, README, build_beside
from tasks.package.rows import Source, find_automatic, find_decimals, read_part
from tasks.workout.private_places import draw_hiding

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    import duckdb

    from config.settings import Settings
    from tasks.package.lines import LineReader
    from tasks.package.parts import Part
    from tasks.package.rows import Listener, RowReader


@dataclass(frozen=True)
class Written:
    """What is in the package that was written."""

    n_tables: int
    n_rows: int
    n_tracks: int
    n_courses: int
    n_bytes: int


def write_package(
    connection: duckdb.DuckDBPyConnection,
    place: Path,
    *,
    settings: Settings,
    read_rows: RowReader,
    load_line: LineReader,
    key: bytes,
    tell: Listener | None = None,
) -> Written:
    """Write the package at `place`, which `require_place` has looked at, as a whole or not at all.

    `connection` reads the published tables, `read_rows` gives the rows of the lake, `load_line` a
    course by its name; `key` is the home's secret, which draws what is hidden. The same tables give
    the same bytes.
    Raises: CowornError when the lake lacks a recording that the published tables name.
    """
    ids = PublicIds(key, find_automatic(connection))
    source = Source(connection, read_rows, draw_hiding(settings.report.private, key), ids, tell)
    with build_beside(place) as folder:
        (folder / "data").mkdir()
        tables = [_write_table(source, part, folder) for part in PARTS]
        tracks = list(write_tracks(source, folder))
        lines = [*tracks, *write_courses(source, folder, load_line=load_line)]
        descriptor = describe_package(
            tables, lines, settings=settings.export, created=_find_created(connection)
        )
        readme = write_readme(
            tables, lines, settings=settings.export, hides_places=bool(settings.report.private)
        )
        _write_text(folder, README, readme)
        _write_text(folder, DESCRIPTOR, json.dumps(descriptor, indent=2, ensure_ascii=False) + "\n")
        n_bytes = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
    return Written(
        n_tables=len(tables),
        n_rows=sum(table.n_rows for table in tables),
        n_tracks=len(tracks),
        n_courses=len(lines) - len(tracks),
        n_bytes=n_bytes,
    )


def _write_table(source: Source, part: Part, folder: Path) -> MadeTable:
    n_rows = write_csv(
        folder / part.path,
        read_part(source, part),
        columns=part.columns,
        decimals=find_decimals(source, part),
    )
    return MadeTable(part, seal_file(folder, part.path), n_rows)


def _find_created(connection: duckdb.DuckDBPyConnection) -> datetime | None:
    """Return when the newest run that a number comes from ended; None where there is no number."""
    ((newest_us,),) = connection.execute(
        f"SELECT max(epoch_us(coalesce(ended_at, started_at))) FROM {RUNS_USED}"  # noqa: S608
    ).fetchall()
    return None if newest_us is None else from_microseconds(newest_us)


def _write_text(folder: Path, name: str, text: str) -> None:
    (folder / name).write_text(text, encoding="utf-8", newline="\n")
    seal_file(folder, name)
