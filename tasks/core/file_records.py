"""What is known of an export that was ever seen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from datetime import datetime

#: "archived" is the state in between: taken in, outcome not known yet.
Status = Literal["archived", "stored", "duplicate", "partial", "refused"]


@dataclass(frozen=True)
class DroppedName:
    """A name that an export was dropped under, the inbox sub-folder it lay in, and when."""

    name: str
    folder: str | None
    seen_at: datetime


@dataclass(frozen=True)
class FileRecord:
    """What is known of one export.

    `name` and `folder` are those of the first drop; `names` holds every one. `inside` is the
    file_id of the archive that it came in. `recording_ids` are in the order in which they stand
    in the export, `recording_id` is the first of them.
    """

    file_id: str
    name: str
    folder: str | None
    received_at: datetime
    bytes: int
    format: str | None
    status: Status
    reason: str | None
    inside: str | None
    n_recordings: int
    recording_ids: tuple[str, ...]
    names: tuple[DroppedName, ...]

    @property
    def recording_id(self) -> str | None:
        """The first recording of the export."""
        return self.recording_ids[0] if self.recording_ids else None
