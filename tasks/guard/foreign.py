"""What the reading process does with foreign files beside reading exports."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from tasks.core.errors import NotesError, UnknownFormatError
from tasks.core.reading import find_reader, is_complete
from tasks.readers.archive import expand_archive, is_archive, is_complete_archive
from tasks.readers.notes import read_lines_of_notes

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tasks.core.notes import Notes
    from tasks.core.recording import ExportFile


@dataclass(frozen=True)
class NotesText:
    """What a notes file says: its text, and the notes of each workout in it.

    `refused` says why lines of a spreadsheet cannot be used, one line each.
    """

    text: str
    notes: tuple[Notes, ...]
    refused: tuple[str, ...] = ()


def look_complete(path: Path, name: str, most_bytes: int) -> bool:
    """Say whether a file that stopped growing is whole; see `is_complete`.

    Of a gzip archive at most `most_bytes` are decompressed for that. Raises: OSError.
    """
    if is_archive(path):
        return is_complete_archive(path, max_expanded_bytes=most_bytes)
    return is_complete(path, name)


def find_format(path: Path, name: str) -> str | None:
    """Return format that the first bytes are those of, None for no known one. Raises: OSError."""
    try:
        return find_reader(path, name).format
    except UnknownFormatError:
        return None


def find_fitting(files: Sequence[ExportFile], layouts: Sequence[Path]) -> frozenset[str]:
    """Return the ids of the CSV files that one of the layout files fits."""
    from tasks.readers.csv import fits_one_of  # noqa: PLC0415 - few calls look at layouts

    return frozenset(file.file_id for file in files if fits_one_of(file.path, layouts))


def expand(
    export: ExportFile, into: Path, max_expanded_bytes: int, max_members: int
) -> tuple[ExportFile, ...]:
    """Write what is in an archive into a new folder below `into`; see `expand_archive`."""
    # A process that died at it may have left part of it behind.
    folder = Path(tempfile.mkdtemp(dir=into))
    return expand_archive(
        export, folder, max_expanded_bytes=max_expanded_bytes, max_members=max_members
    )


def read_notes_text(file: ExportFile, zone: str | None) -> NotesText:
    """Read one notes file; `zone` as in `read_lines_of_notes`. Raises: NotesError, OSError."""
    try:
        text = file.path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise NotesError(
            file.name, found="it is not UTF-8 text", remedy="save it as UTF-8"
        ) from error
    # A device may be named later; settling complains about setups of devices that nobody knows.
    notes, refused = read_lines_of_notes(text, name=file.name, file_id=file.file_id, zone=zone)
    return NotesText(text, notes, tuple(error.reason for error in refused))


def read_notes_texts(
    files: Sequence[ExportFile], zone: str | None
) -> tuple[NotesText | NotesError, ...]:
    """Read several notes files; return for each what it says or why it cannot be used."""
    return tuple(_try_notes(file, zone) for file in files)


def _try_notes(file: ExportFile, zone: str | None) -> NotesText | NotesError:
    try:
        return read_notes_text(file, zone)
    except NotesError as error:
        return error
