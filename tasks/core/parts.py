"""Ids of the parts of a recording that a person split.

The number at the end of a recording's id is its place in the export. A part that begins later has
the seconds from the start of the whole before that, so that its id stays when others come or go.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from datetime import datetime

#: Above the number of recordings of any export.
_PLACES: Final = 10_000


def number_part(index: int, *, begin: datetime, start: datetime) -> int:
    """Return the number of the part of recording `index` that begins then; the whole at `start`."""
    return max(1, int((begin - start).total_seconds())) * _PLACES + index


def find_part(recording_id: str, *, begin: datetime, start: datetime) -> str:
    """Return the id of the part that begins then, of a recording or of another part of it."""
    file, _, index = find_whole(recording_id).rpartition("-")
    return f"{file}-{number_part(int(index), begin=begin, start=start)}"


def find_whole(recording_id: str) -> str:
    """Return the id of the recording that `recording_id` is a part of, or is itself."""
    file, _, number = recording_id.rpartition("-")
    return f"{file}-{int(number) % _PLACES}"
