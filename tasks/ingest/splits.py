"""Recordings that notes split in two: which, where, and how one is cut.

What notes say of it is kept in the ledger when they are taken in, and so is where the recordings of
an export were split when it was last read: where the two differ, the export is read again. The
original stays one, and a rebuild splits again.
"""

from __future__ import annotations

import json
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final

from tasks.archive.ledger import Ledger
from tasks.archive.originals import find_original
from tasks.core.errors import CowornError
from tasks.core.parts import find_whole
from tasks.core.recording import ExportFile
from tasks.guard import read_some_notes_isolated
from tasks.ingest.cutting import cut
from tasks.ingest.rereading import clear_recordings, list_again

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from config.home import Home
    from config.settings import Settings
    from tasks.core.file_records import FileRecord
    from tasks.core.notes import Notes
    from tasks.core.recording import Recording

#: Beginnings of the ledger's keys: what notes say, and where an export was split.
SAID: Final = "splits_said:"
SPLIT_AT: Final = "split_at:"
_IN_FORCE: Final = frozenset({"stored", "partial"})


@dataclass(frozen=True)
class Splits:
    """Where the recordings of one export are split: instants of their own clock by index.

    `is_known` says that they were split when the export was last read.
    """

    at: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    is_known: bool = False

    def write(self) -> str:
        """Return them as text for the ledger."""
        return json.dumps(self.at, sort_keys=True)


def split_recording(recording: Recording, splits: Splits) -> tuple[Recording, ...]:
    """Return the parts of a recording, the recording itself where nothing splits it."""
    instants = splits.at.get(str(recording.header.index), ())
    return cut(recording, [datetime.fromisoformat(one) for one in instants])


def find_splits(file_id: str, *, home: Home) -> Splits:
    """Return where the recordings of an export are to be split."""
    with Ledger(home) as ledger:
        wanted = _collect(ledger).get(file_id[:16], {})
        return Splits(wanted, is_known=ledger.recall(SPLIT_AT + file_id) is not None)


def make_split_fact(file_id: str, splits: Splits | None) -> tuple[str, str | None]:
    """Return what the ledger keeps beside the outcome of an export."""
    if splits is None or not (splits.at or splits.is_known):
        return SPLIT_AT + file_id, None
    return SPLIT_AT + file_id, splits.write()


def remember_said(export: ExportFile, notes: Sequence[Notes], *, home: Home) -> None:
    """Keep what accepted notes say of splitting and removing."""
    with Ledger(home) as ledger:
        ledger.remember(SAID + export.file_id, _word(export.name, notes))


def decide_again(home: Home, settings: Settings) -> list[FileRecord]:
    """Return the dropped files to be read again: the notes split them otherwise than they lie.

    Also those of which a run that was killed had decided that.
    Raises: OSError, StoreBusyError, ReadingProcessError.
    """
    clear_parts(home)
    with Ledger(home) as ledger:
        notes = ledger.list_notes()
        said = ledger.recall_all(SAID)
    _read_unknown([file for file in notes if file.file_id not in said], home, settings)
    with Ledger(home) as ledger:
        lying = ledger.recall_all(SPLIT_AT)
        wanted = _collect(ledger)
        if not wanted and not lying:
            return []
        files = ledger.list_files()
        changed = {
            file.file_id: Splits(wanted.get(file.file_id[:16], {})).write()
            for file in files
            if file.status in _IN_FORCE
            and file.recording_ids
            and json.loads(lying.get(file.file_id, "{}"))
            != {key: list(at) for key, at in wanted.get(file.file_id[:16], {}).items()}
        }
        ledger.reopen({file_id: (SPLIT_AT + file_id, text) for file_id, text in changed.items()})
    return list_again(files, changed, lying)


def clear_parts(home: Home) -> None:
    """Take parts out of the lake that are parts no more."""
    clear_recordings(
        home,
        SPLIT_AT,
        lambda file, recording_id: (
            file.status != "archived" and recording_id not in file.recording_ids
        ),
    )


# --- inside -----------------------------------------------------------------------------------
def _word(name: str, notes: Iterable[Notes]) -> str:
    """Return what notes say as text; `slot` is what they are about, the newest of one slot hold."""
    said: dict[str, Any] = {"slot": name, "splits": [], "removed": []}
    for one in notes:
        said["slot"] = one.workout or said["slot"]
        said["removed"] += list(one.removed)
        said["splits"] += [(split.recording_id, split.at_utc.isoformat()) for split in one.splits]
    return json.dumps(said)


def _read_unknown(files: Sequence[FileRecord], home: Home, settings: Settings) -> None:
    """Read notes of which the ledger does not know what they say, e.g. as it was made again."""
    exports = [
        ExportFile(original, file.name, file.file_id)
        for file in files
        if file.status in _IN_FORCE
        if (original := find_original(file.file_id, home=home)) is not None
    ]
    if not exports:
        return
    read = read_some_notes_isolated(
        exports, zone=settings.time.zone or None, settings=settings.read
    )
    for export, said in zip(exports, read, strict=True):
        remember_said(export, () if isinstance(said, CowornError) else said.notes, home=home)


def _collect(ledger: Ledger) -> dict[str, dict[str, tuple[str, ...]]]:
    """Return the instants by the beginning of the file's id and by the index of the recording."""
    kept = ledger.recall_all(SAID)
    if not any('"splits": [[' in text for text in kept.values()):
        return {}
    newest: dict[str, tuple[str, dict[str, Any]]] = {}
    for file in ledger.list_notes():
        if file.file_id in kept and file.status in _IN_FORCE:
            said = json.loads(kept[file.file_id])
            newest[said["slot"]] = (file.file_id, said)
    removed = {one for _, said in newest.values() for one in said["removed"]}
    found: dict[str, dict[str, set[str]]] = defaultdict(lambda: defaultdict(set))
    for file_id, said in newest.values():
        for recording_id, at in said["splits"] if file_id not in removed else ():
            beginning, _, index = find_whole(recording_id).rpartition("-")
            found[beginning][index].add(at)
    return {
        beginning: {index: tuple(sorted(at)) for index, at in by_index.items()}
        for beginning, by_index in found.items()
    }
