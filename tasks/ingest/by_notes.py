"""Exports that notes have read again: another zone, or recordings that are split."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tasks.ingest import local_times, splits

if TYPE_CHECKING:
    from config.home import Home
    from config.settings import Settings
    from tasks.core.file_records import FileRecord


def decide_again(home: Home, settings: Settings) -> list[FileRecord]:
    """Return the dropped files that the notes as they are now have read again, each once.

    Raises: OSError, StoreBusyError, ReadingProcessError.
    """
    found = (*local_times.decide_again(home, settings), *splits.decide_again(home, settings))
    return list({file.file_id: file for file in found}.values())


def clear_lake(home: Home) -> None:
    """Take out of the lake what files that were read again no longer hold."""
    local_times.clear_lake(home)
    splits.clear_parts(home)
