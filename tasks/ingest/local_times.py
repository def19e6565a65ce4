"""Exports whose times have no zone: what is remembered of them, and what the notes decide.

Neither may come first: a note is often written days after its workout. So the local times of such
an export are kept in the ledger with the decision that it was read by. When notes come that change
the decision, it counts as interrupted and is read again, like after a kill. What is decided hangs
on the exports and the accepted notes alone, not on the order in which they came.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, Final

from tasks.archive.ledger import Ledger
from tasks.archive.originals import find_original
from tasks.core.errors import CowornError, NoClockError
from tasks.core.local_times import Decision, decide_offset
from tasks.core.recording import ExportFile
from tasks.guard import read_some_notes_isolated
from tasks.ingest.rereading import clear_recordings, list_again
from tasks.readers.notes import is_sheet

if TYPE_CHECKING:
    from collections.abc import Sequence

    from config.home import Home
    from config.settings import ReadSettings, Settings
    from tasks.core.file_records import FileRecord
    from tasks.core.notes import Notes

_PREFIX: Final = "local_times:"


@dataclass(frozen=True)
class LocalTimes:
    """The naive times of an export, from the first to the last, and what was decided for them."""

    first: datetime
    last: datetime
    decision: Decision

    def explain(self, error: NoClockError) -> NoClockError:
        """Return the refusal with what the notes say."""
        says = self.decision.says
        found = error.found if says is None else f"{error.found}; {says}"
        return NoClockError(error.file, found=found, remedy=error.remedy)


def recall_times(file_id: str, *, home: Home) -> LocalTimes | None:
    """Return what is remembered of an export whose times have no zone, None for any other."""
    with Ledger(home) as ledger:
        text = ledger.recall(_PREFIX + file_id)
    return None if text is None else _read(text)


def make_fact(file_id: str, times: LocalTimes | None) -> tuple[str, str | None]:
    """Return what the ledger keeps beside the outcome that an export got by `times`.

    Written together, they agree, whoever else reads the same export at the same time.
    """
    return _PREFIX + file_id, None if times is None else _write(times)


def decide_again(home: Home, settings: Settings) -> list[FileRecord]:
    """Decide for all exports without a zone by the notes as they are now.

    Returns the dropped files to be done again: exports for which that changes anything, and the
    archives of those that came in one; and exports for which another run decided that and was not
    finished yet, or killed. With a zone in the settings, no export waits for notes any
    more: all are done again. Raises: OSError, StoreBusyError, ReadingProcessError.
    """
    clear_lake(home)
    with Ledger(home) as ledger:
        known = {key: _read(text) for key, text in ledger.recall_all(_PREFIX).items()}
        if not known:
            return []
        files = ledger.list_files()
    changed = dict(known)
    if not settings.time.zone:
        notes = _read_notes(files, home=home, settings=settings.read)
        decided = {
            file_id: replace(times, decision=decide_offset(times.first, times.last, notes))
            for file_id, times in known.items()
        }
        changed = {key: times for key, times in decided.items() if times != known[key]}
    with Ledger(home) as ledger:
        ledger.reopen(
            {file_id: (_PREFIX + file_id, _write(times)) for file_id, times in changed.items()}
        )
    return list_again(files, changed, known)


def clear_lake(home: Home) -> None:
    """Take recordings out of the lake that were placed by notes whose export is refused by now."""
    clear_recordings(home, _PREFIX, lambda file, _: file.status == "refused")


def _read_notes(files: Sequence[FileRecord], *, home: Home, settings: ReadSettings) -> list[Notes]:
    """Return all accepted notes in the order in which their names were dropped.

    The same bytes under several names are notes of each of them: that is how notes are taken back.
    Of a spreadsheet, only its newest version counts.
    """
    accepted = {file.file_id: file for file in files if _are_accepted_notes(file)}
    exports = [
        ExportFile(original, file.name, file.file_id)
        for file in accepted.values()
        if (original := find_original(file.file_id, home=home)) is not None
    ]
    read = read_some_notes_isolated(exports, zone=None, settings=settings)
    notes = {
        export.file_id: said.notes
        for export, said in zip(exports, read, strict=True)
        if not isinstance(said, CowornError)
    }
    names = sorted(
        (seen.seen_at, seen.name, file.file_id) for file in accepted.values() for seen in file.names
    )
    newest = {name: file_id for _, name, file_id in names}
    return [
        replace(one, name=name)
        for _, name, file_id in names
        if not is_sheet(name) or newest[name] == file_id
        for one in notes.get(file_id, ())
    ]


def _are_accepted_notes(file: FileRecord) -> bool:
    return file.format == "notes" and file.status in {"stored", "partial"}


def _write(times: LocalTimes) -> str:
    return json.dumps(
        {
            "first": times.first.isoformat(),
            "last": times.last.isoformat(),
            "offset_s": times.decision.offset_s,
            "says": times.decision.says,
        }
    )


def _read(text: str) -> LocalTimes:
    facts = json.loads(text)
    return LocalTimes(
        first=datetime.fromisoformat(facts["first"]),
        last=datetime.fromisoformat(facts["last"]),
        decision=Decision(facts["offset_s"], facts["says"]),
    )
