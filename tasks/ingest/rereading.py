"""What the two kinds of facts share that have exports read again when notes change.

Such a fact stands in the ledger under a prefix and the export's id. It is written before anything
is read, so that a run that was killed is made up for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tasks.archive.lake import list_recordings, remove_recording
from tasks.archive.ledger import Ledger

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Sequence

    from config.home import Home
    from tasks.core.file_records import FileRecord


def list_again(
    files: Sequence[FileRecord], changed: Collection[str], known: Collection[str]
) -> list[FileRecord]:
    """Return the dropped files to be read again: what changed, and what a run left unfinished.

    `changed` are ids of exports, `known` those of which there is a fact. Of exports out of an
    archive that is the archive.
    """
    wanted = {
        file.inside or file.file_id
        for file in files
        if file.file_id in changed or (file.file_id in known and file.status == "archived")
    }
    return [file for file in files if file.file_id in wanted]


def clear_recordings(home: Home, prefix: str, is_gone: Callable[[FileRecord, str], bool]) -> None:
    """Take recordings out of the lake whose export has a fact and of which `is_gone` says so.

    The ledger was written first: a recording that it names is always in the lake.
    """
    with Ledger(home) as ledger:
        known = {file_id[:16]: file_id for file_id in ledger.recall_all(prefix)}
        for recording_id in list_recordings(home.lake) if known else ():
            file = ledger.find_file(known.get(recording_id[:16], ""))
            if file is not None and is_gone(file, recording_id):
                remove_recording(recording_id, lake=home.lake)
