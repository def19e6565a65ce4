"""Exports that a new, changed or removed CSV layout of the home reads otherwise than before.

The ledger remembers what was in `columns/` when exports were read. Where that differs, the exports
that a new layout fits, and those that one was read by that is gone or changed, count as interrupted
and are read again. A layout that is proposed for columns that nothing reads lies beside them, in
`columns/proposed/`, where it is not used until a person moves it.
"""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Final

from tasks.archive.lake import has_recording, read_facts
from tasks.archive.ledger import Ledger
from tasks.archive.originals import LAYOUT_SUFFIX, find_original, make_safe_name
from tasks.core.recording import ExportFile
from tasks.guard import find_fitting_isolated

if TYPE_CHECKING:
    from config.home import Home
    from config.settings import Settings
    from tasks.core.file_records import FileRecord

_KEY: Final = "layouts_mark"
_PROPOSED: Final = "proposed"
_FORMAT: Final = "csv"


def reopen_by_layouts(home: Home, settings: Settings) -> list[FileRecord]:
    """Have the exports done again that layouts read otherwise now; return the dropped files.

    Of an export that came in an archive, the archive is done again.
    Raises: OSError, StoreBusyError, ReadingProcessError.
    """
    now = _mark_layouts(home)
    with Ledger(home) as ledger:
        before: dict[str, str] = json.loads(ledger.recall(_KEY) or "{}")
        if now == before:
            return []
        files = ledger.list_files()
    exports = [file for file in files if file.format == _FORMAT and file.status != "archived"]
    changed = {name for name in now if now[name] != before.get(name)}
    gone = {mark for name, mark in before.items() if now.get(name) != mark}
    fitting = _find_fitting(exports, changed, home=home, settings=settings)
    again = [
        file
        for file in exports
        if file.file_id in fitting or (gone and _was_read_by_own(file, home))
    ]
    mark = (_KEY, json.dumps(now, sort_keys=True))
    with Ledger(home) as ledger:
        if again:
            ledger.reopen({file.file_id: mark for file in again})
        ledger.remember(*mark)
    wanted = {file.inside or file.file_id for file in again}
    return [file for file in files if file.file_id in wanted]


def lay_proposal(export: ExportFile, proposal: str, *, home: Home) -> tuple[str, ...]:
    """Lay a proposed layout where a person finds it, and return the clause that says where.

    Without a proposal, one that an earlier reading left is taken away.
    """
    folder = home.columns / _PROPOSED
    path = folder / (make_safe_name(export.name) + LAYOUT_SUFFIX)
    if not proposal:
        path.unlink(missing_ok=True)
        return ()
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    path.write_text(proposal, encoding="utf-8")
    place = path.relative_to(home.root).as_posix()
    return (f"a layout that reads it whole is proposed in {place}: check it and move it up",)


def _mark_layouts(home: Home) -> dict[str, str]:
    """Return a hash of each layout file of the home, by its name."""
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()[:16]
        for path in sorted(home.columns.glob("*.toml"))
    }


def _find_fitting(
    exports: list[FileRecord], changed: set[str], *, home: Home, settings: Settings
) -> set[str]:
    """Return the ids of the exports that one of the changed layout files fits."""
    if not changed:
        return set()
    originals = [
        ExportFile(path, file.name, file.file_id)
        for file in exports
        if (path := find_original(file.inside or file.file_id, home=home)) is not None
    ]
    layouts = tuple(home.columns / name for name in sorted(changed))
    # What is inside an archive can only be seen by taking the archive in again.
    packed = {file.file_id for file in exports if file.inside is not None}
    plain = [export for export in originals if export.file_id not in packed]
    return packed | find_fitting_isolated(plain, layouts, settings=settings.read)


def _was_read_by_own(file: FileRecord, home: Home) -> bool:
    """Say whether a layout of the home read a recording of this export."""
    return any(
        ", layout " in read_facts(recording_id, lake=home.lake).header.reader
        for recording_id in file.recording_ids
        if has_recording(recording_id, lake=home.lake)
    )
