"""Which format a file is of that could not be read."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tasks.core.errors import CowornError
from tasks.guard import find_format_isolated
from tasks.readers.notes import is_notes

if TYPE_CHECKING:
    from pathlib import Path

    from config.settings import ReadSettings
    from tasks.core.recording import ExportFile


def guess_format(export: ExportFile, *, settings: ReadSettings) -> str | None:
    """Return the format by name and first bytes, None where they say none."""
    if is_notes(export.name):
        return "notes"
    try:
        return find_format_isolated(export.path, export.name, settings=settings)
    except (CowornError, OSError):
        return None


def starts_like_zip(path: Path) -> bool:
    """Say whether a file begins as zip archives do."""
    with path.open("rb") as file:
        return file.read(2) == b"PK"
