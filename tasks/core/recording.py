"""The Recording: what one export says of one activity of one device."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    import pyarrow as pa

Status = Literal["whole", "partial"]
TimeBasis = Literal["utc", "zone", "notes", "elapsed"]
PositionKind = Literal["gnss", "virtual", "none"]
AltitudeKind = Literal["barometric", "gnss", "unknown"]


@dataclass(frozen=True)
class ExportFile:
    """One export as a reader gets it.

    `path` is where the bytes lie; `name` is the name that the person knows (error messages use
    it); `folder` is the sub-folder of the inbox that it was dropped into, a device hint.
    """

    path: Path
    name: str
    file_id: str = ""
    folder: str | None = None


@dataclass(frozen=True)
class Remark:
    """Something noticed about a recording that a reader of its numbers should know.

    `count` is how many samples or messages it concerns.
    """

    text: str
    count: int = 1


@dataclass(frozen=True)
class Header:
    """Facts about a whole recording. None means that the export does not say.

    `index` counts the recordings of one export from 0. `sport` is one of our activity words
    (see `core.activities`). With `time_basis` "elapsed", times count from
    1970-01-01T00:00:00Z until the recording is placed; with "zone" they were naive and a zone
    stated in layout or settings was applied, with "notes" the offset that notes gave.
    `local_offset_s` is local time minus UTC as the device knew it. `part` is the span of a part of
    a recording that was split, as text, or where it could not be; None where nothing splits it.
    """

    format: str
    reader: str
    index: int = 0
    status: Status = "whole"
    reason: str | None = None
    creator: str | None = None
    manufacturer: str | None = None
    product: str | None = None
    serial: str | None = None
    firmware: str | None = None
    sport: str | None = None
    sub_sport: str | None = None
    time_basis: TimeBasis = "utc"
    position_kind: PositionKind = "none"
    altitude_kind: AltitudeKind = "unknown"
    pool_length_m: float | None = None
    device_distance_m: float | None = None
    device_ascent_m: float | None = None
    device_descent_m: float | None = None
    local_offset_s: int | None = None
    part: str | None = None


@dataclass(frozen=True)
class Recording:
    """Header and tables of one recording.

    The tables are declared in `tasks.tables.tables` (`samples`, `laps`, `lengths`, `beats`,
    `battery`, `events`). A reader fills them in the tables' units with whatever the export
    holds, in file order; `normalise` sorts them, joins doubled stamps and takes out what
    cannot be. `start_utc` and `end_utc` span everything with a time. `proposal` is the text of a
    CSV layout that reads what this reading left out; it is not kept.
    """

    header: Header
    start_utc: datetime
    end_utc: datetime
    samples: pa.Table
    laps: pa.Table
    lengths: pa.Table
    beats: pa.Table
    battery: pa.Table
    events: pa.Table
    remarks: tuple[Remark, ...] = field(default=())
    proposal: str = ""

    def with_remarks(self, *remarks: Remark) -> Recording:
        """Return the same recording with `remarks` added."""
        return replace(self, remarks=(*self.remarks, *remarks))
