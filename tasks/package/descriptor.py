"""The description of the package in words that programs read.

Source: Data Package standard, version 2 (datapackage.org): Data Package, Data Resource, Table
Schema; compression of resources as in its recipes.
"""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from tasks.core.provenance import find_version
from tasks.package.place import MAKER, MAKER_KEY
from tasks.tables.tables import RECORDING_TABLES

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from pathlib import Path

    from config.export import ExportSettings
    from tasks.package.parts import Part
    from tasks.tables.column import Column

_PROFILE: Final = "https://datapackage.org/profiles/2.0/datapackage.json"
_TYPES: Final = {
    "float": "number",
    "integer": "integer",
    "text": "string",
    "boolean": "boolean",
    "instant": "datetime",
}
PLAIN_TITLE: Final = "Sports wearables worn together: recordings, results and verdicts"
CAUTION: Final = (
    "Heart-rate figures are no medical advice: they measure devices, not people. For anything "
    "that concerns your health, ask a professional."
)
_WHAT: Final = (
    "What several sports wearables recorded in the same workouts, how their clocks were set "
    "against each other, the accuracy of each device against the best reference there was, and "
    "the verdicts across workouts. README.md says what was left out and how to read it."
)


@dataclass(frozen=True)
class MadeFile:
    """A file of the package: size [byte] and SHA-256 of what lies on the disk."""

    path: str
    n_bytes: int
    sha256: str

    def describe(self) -> dict[str, Any]:
        """Return what the descriptor says of any file."""
        return {"bytes": self.n_bytes, "hash": f"sha256:{self.sha256}"}


@dataclass(frozen=True)
class MadeTable:
    """A table that was written."""

    part: Part
    file: MadeFile
    n_rows: int


@dataclass(frozen=True)
class MadeLine:
    """A track or course that was written; `name` is that of the resource."""

    name: str
    title: str
    file: MadeFile


def seal_file(folder: Path, path: str) -> MadeFile:
    """Measure a file that is finished, and make it durable."""
    with (folder / path).open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
        os.fsync(file.fileno())
        return MadeFile(path, os.fstat(file.fileno()).st_size, digest)


def describe_package(
    tables: Sequence[MadeTable],
    lines: Sequence[MadeLine],
    *,
    settings: ExportSettings,
    created: datetime | None,
) -> dict[str, Any]:
    """Return the descriptor; a licence is claimed only when the settings name one."""
    resources = [*map(_describe_table, tables), *map(_describe_line, lines)]
    facts: dict[str, Any] = {
        "$schema": _PROFILE,
        "name": settings.name,
        "title": settings.title or PLAIN_TITLE,
        "description": f"{_WHAT}\n\n{CAUTION}",
    }
    if settings.licence:
        facts["licenses"] = [{"name": settings.licence}]
    if created is not None:
        facts["version"] = _make_version(created, resources)
        facts["created"] = f"{created:%Y-%m-%dT%H:%M:%SZ}"
    return {**facts, MAKER_KEY: f"{MAKER} {find_version()}", "resources": resources}


def _make_version(created: datetime, resources: Sequence[dict[str, Any]]) -> str:
    """Return the day of the newest numbers, and eight digits that differ with any file.

    Source: Semantic Versioning 2.0.0; what stands behind the plus is build metadata.
    """
    hashes = "\n".join(str(one["hash"]) for one in resources)
    mark = hashlib.sha256(hashes.encode()).hexdigest()[:8]
    return f"{created.year}.{created.month}.{created.day}+{mark}"


def _describe_table(made: MadeTable) -> dict[str, Any]:
    part = made.part
    packed = {"compression": "gz"} if made.file.path.endswith(".gz") else {}
    return {
        "name": part.name,
        "type": "table",
        "title": part.title,
        "description": f"{part.table.grain.removesuffix('; append-only')}; {made.n_rows} rows",
        "path": made.file.path,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        **packed,
        **made.file.describe(),
        "schema": describe_schema(part),
    }


def _describe_line(made: MadeLine) -> dict[str, Any]:
    return {
        "name": made.name,
        "title": made.title,
        "path": made.file.path,
        "format": "gpx",
        "mediatype": "application/gpx+xml",
        "encoding": "utf-8",
        **made.file.describe(),
    }


def describe_schema(part: Part) -> dict[str, Any]:
    """Return the Table Schema of a table, from the one declaration of its columns."""
    schema: dict[str, Any] = {
        "fields": [_describe_field(column, part) for column in part.columns],
        "missingValues": [""],
    }
    if part.key:
        schema["primaryKey"] = list(part.key)
    if part.unique:
        schema["uniqueKeys"] = [list(part.unique)]
    keys = [_describe_link(part.name, *one) for one in _list_links(part)]
    if keys:
        schema["foreignKeys"] = keys
    return schema


def _list_links(part: Part) -> list[tuple[str, str, str]]:
    return [(link.column, link.part, link.key) for link in part.links]


def _describe_link(name: str, column: str, other: str, key: str) -> dict[str, Any]:
    where = {"fields": [key]} if other == name else {"resource": other, "fields": [key]}
    return {"fields": [column], "reference": where}


def _describe_field(column: Column, part: Part) -> dict[str, Any]:
    field: dict[str, Any] = {
        "name": column.name,
        "type": _TYPES[column.kind],
        "format": "default",
        "description": column.meaning,
    }
    if column.unit is not None:
        field["unit"] = column.unit
    limits: dict[str, Any] = {"required": True} if column.name in part.key else {}
    # Only what a recording carries is held inside its plausible range when it is taken in.
    if part.table in RECORDING_TABLES:
        if column.low is not None:
            limits["minimum"] = column.low
        if column.high is not None:
            limits["maximum"] = column.high
    return {**field, "constraints": limits} if limits else field
