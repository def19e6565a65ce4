"""What notes say about an export whose times have no zone."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, timezone
from typing import TYPE_CHECKING, Final

from tasks.core.notes import NOTES_EARLY_S
from tasks.core.recording import Recording, Remark

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tasks.core.notes import Notes

#: An export over more time than this is no single workout, and the offset of one does not speak
#: for the others: clocks change, people travel (common practice, no source).
LONGEST: Final = timedelta(days=2)


@dataclass(frozen=True)
class Decision:
    """The offset of an export's times: local time minus UTC [s], None where notes give none.

    `says` tells which notes gave it, or that they do not agree; None where there are none.
    """

    offset_s: int | None = None
    says: str | None = None

    @property
    def zone(self) -> timezone | None:
        """The offset as times take it."""
        return None if self.offset_s is None else timezone(timedelta(seconds=self.offset_s))

    def sign(self, recording: Recording) -> Recording:
        """Write into a recording that was placed by this offset where it came from."""
        if recording.header.time_basis != "notes" or self.says is None:
            return recording
        header = replace(recording.header, local_offset_s=self.offset_s)
        return replace(recording, header=header).with_remarks(Remark(self.says))


def decide_offset(first: datetime, last: datetime, notes: Sequence[Notes]) -> Decision:
    """Return the offset of local times from `first` to `last`, naive, by `notes` as they came.

    Notes count when they give a time of day with an offset, and when their start, as clocks on
    the spot showed it, lies from half an hour before the first time to the last one: with that
    offset they find the workout of this export. Notes dropped again under the same name replace
    those before. All that count must agree. A start in UTC (Z) says nothing about local time.
    """
    if last - first > LONGEST:
        return Decision()
    early = timedelta(seconds=NOTES_EARLY_S)
    near = [
        one
        for one in notes
        if not one.whole_day
        and one.local_offset_s is not None
        and first - early <= _find_local_start(one, one.local_offset_s) <= last
    ]
    newest = {one.name: one.file_id for one in near}
    counting = [one for one in near if one.file_id == newest[one.name]]
    said = [f"{one.name!r} ({show_offset(one.local_offset_s or 0)})" for one in counting]
    offsets = {one.local_offset_s for one in counting}
    if len(offsets) > 1:
        listed = " and ".join(dict.fromkeys(said))
        return Decision(None, f"the notes {listed} do not agree")
    if not counting:
        return Decision()
    return Decision(
        counting[0].local_offset_s,
        f"its times have no zone; they were placed by the offset of the notes {said[0]}",
    )


def show_offset(offset_s: int) -> str:
    """Write local time minus UTC as `+hh:mm`."""
    return datetime(2000, 1, 1, tzinfo=timezone(timedelta(seconds=offset_s))).isoformat()[-6:]


def _find_local_start(notes: Notes, offset_s: int) -> datetime:
    local = notes.start_utc.astimezone(UTC) + timedelta(seconds=offset_s)
    return local.replace(tzinfo=None)
