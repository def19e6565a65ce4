"""Keys of pages: a page is written again when its key differs from the one that it carries.

A run looks at every page's key, so that keys are cheap: what all pages share is hashed once, and
the keys that the pages carry stand in one small file as well (`PageKeys`).
"""

from __future__ import annotations

import hashlib
import json
import os
from collections import defaultdict
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final

from tasks.core.provenance import find_version
from tasks.report.files import read_key, write_if_changed
from tasks.report.shared import hash_of_looks
from tasks.tables.fetch import fetch_rows

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    import duckdb

    from config.settings import Settings
    from tasks.report.facts import Definition, DeviceFacts, WorkoutFacts

#: Settings that no page shows.
_ONLY_HOW_MANY: Final = {"figures_per_run", "figures_per_night"}
#: Rises when a page that is published hides something else than before.
_HIDING: Final = 4
#: The file that holds the keys of the pages in its folder.
_KEPT: Final = ".keys.json"
_ANSWERS: Final = ("verdicts", "levels", "limits")


class KeyMaker:
    """Makes keys of twelve hex digits that change when anything on a page would.

    `public` is the key that draws what is hidden, None where everything shows; `outlines` marks the
    lines of the background of maps.
    """

    def __init__(
        self,
        *,
        devices: Mapping[str, DeviceFacts],
        definitions: Mapping[str, Definition],
        settings: Settings,
        public: bytes | None = None,
        outlines: str | None = None,
    ) -> None:
        parts = {
            "definitions": sorted((one.metric, one.version) for one in definitions.values()),
            "settings": settings.report.model_dump(mode="json", exclude=_ONLY_HOW_MANY),
            "version": find_version(),
            "looks": hash_of_looks(),
            "licence": settings.export.licence,
            "outlines": outlines or "",
            "public": None if public is None else [hashlib.sha256(public).hexdigest(), _HIDING],
        }
        self._shared = hashlib.sha256(_write(parts))
        self._devices = {name: _write(asdict(one)) for name, one in devices.items()}
        self._settings = settings

    def of_workout(self, facts: WorkoutFacts) -> str:
        """Return the key of a workout's page."""
        digest = self._shared.copy()
        digest.update(repr(facts).encode())
        for name in facts.device_ids:
            digest.update(self._devices.get(name, b""))
        return digest.hexdigest()[:12]

    def of_month(self, workouts: Iterable[WorkoutFacts]) -> str:
        """Return the key of a page that lists workouts."""
        return self._hash(*(one.encode() for one in map(self.of_workout, workouts)))

    def of_device(
        self, device_id: str, workouts: Iterable[WorkoutFacts], answers: str
    ) -> tuple[str, int, str]:
        """Return the key of a device's page: all of it, its workouts, and what is beside these.

        `answers` is the mark of what is answered of it.
        """
        used = [one.key.encode() for one in workouts if device_id in one.device_ids]
        beside = self._hash(device_id.encode(), answers.encode(), *self._devices.values())
        return self._hash(beside.encode(), *used), len(used), beside

    def of_answers(self, answers: Mapping[str, str]) -> str:
        """Return a key of all that the first page's answers depend on, the workouts apart."""
        marks = json.dumps(sorted(answers.items())).encode()
        verdicts = self._settings.verdicts.model_dump_json().encode()
        return self._hash(verdicts, marks, *self._devices.values())

    def _hash(self, *parts: bytes) -> str:
        digest = self._shared.copy()
        for part in parts:
            digest.update(part + b"\n")
        return digest.hexdigest()[:12]


def read_marks(connection: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """Return by device a mark of the newest answers about it; that of the plan is under ""."""
    marks: dict[str, str] = defaultdict(str)
    for table in _ANSWERS:
        rows = fetch_rows(
            connection,
            f"SELECT device_id, bit_xor(hash(one)) AS mark "  # noqa: S608 - names from above
            f"FROM latest_{table} AS one GROUP BY device_id ORDER BY device_id",
        )
        for row in rows:
            marks[row["device_id"]] += f"{row['mark']} "
    planned = fetch_rows(connection, "SELECT bit_xor(hash(one)) AS mark FROM plan AS one")
    marks[""] = str(planned[0]["mark"])
    return dict(marks)


class PageKeys:
    """The keys that the pages of one folder carry.

    They are read from the pages, and kept beside them with the pages' size and time: a page that
    is as it was then need not be opened.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._kept = _read_kept(folder / _KEPT)
        self._there = _stamp_pages(folder)

    def find(self, name: str) -> str | None:
        """Return the key of the page `name` (without its ending), None when there is no page."""
        stamp = self._there.get(name)
        if stamp is None:
            return None
        kept = self._kept.get(name)
        if kept is not None and kept[0] == stamp:
            key: str | None = kept[1]
            return key
        key = read_key(self._folder / f"{name}.html")
        self._kept[name] = [stamp, key]
        return key

    def save(self) -> None:
        """Keep the keys of the pages that are there now."""
        self._there = _stamp_pages(self._folder)
        for name in self._there:
            self.find(name)
        kept = {name: self._kept[name] for name in sorted(self._there)}
        if kept:
            write_if_changed(self._folder / _KEPT, json.dumps(kept))


def _read_kept(path: Path) -> dict[str, list[Any]]:
    try:
        found = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def _stamp_pages(folder: Path) -> dict[str, str]:
    try:
        with os.scandir(folder) as entries:
            return {
                entry.name.removesuffix(".html"): f"{state.st_mtime_ns} {state.st_size}"
                for entry in entries
                if entry.name.endswith(".html") and not entry.name.startswith(".")
                for state in (entry.stat(),)
            }
    except OSError:
        return {}


def _write(parts: object) -> bytes:
    return json.dumps(parts, sort_keys=True).encode()
