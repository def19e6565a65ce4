"""Notes that were refused and dropped again, corrected, under the same name."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from tasks.archive.ledger import Ledger
from tasks.archive.originals import find_original, release

if TYPE_CHECKING:
    from config.home import Home
    from tasks.core.recording import ExportFile

#: Why notes count as known already that were refused before.
CORRECTED: Final = "notes dropped later under this name were accepted"


def clear_refused(export: ExportFile, *, home: Home) -> None:
    """Take notes of the same name out of `refused/`: these replace them."""
    with Ledger(home) as ledger:
        for file in ledger.find_files_named(export.name):
            if file.format != "notes" or file.status != "refused":
                continue
            if file.file_id != export.file_id:
                ledger.set_outcome(file.file_id, "duplicate", reason=CORRECTED)
                original = find_original(file.file_id, home=home)
                if original is not None:
                    release(original, home=home)


def is_corrected(export: ExportFile, *, home: Home) -> bool:
    """Say whether notes that cannot be used were corrected by others: a rebuild reads both."""
    with Ledger(home) as ledger:
        own = ledger.find_file(export.file_id)
        return own is not None and any(
            file.received_at > own.received_at
            for file in ledger.find_files_named(export.name)
            if file.format == "notes" and file.status in {"stored", "partial"}
        )
