"""Times without a zone: where the zone comes from, and what is said when nobody names one."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timezone, tzinfo
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from tasks.core.errors import NoClockError
from tasks.core.instants import to_microseconds

if TYPE_CHECKING:
    from tasks.core.recording import TimeBasis

#: An IANA name, as layouts and settings state it, or the fixed offset that notes give.
Zone = str | timezone

#: The ways out for an export whose times have no zone.
REMEDY: Final = (
    'set zone under [time] in coworn.toml, for example zone = "Europe/Berlin", or drop notes of '
    "the workout that give its start with the offset, start = 2026-05-02T07:30:00+02:00"
)


def open_zone(zone: Zone) -> tzinfo:
    """Return what `zone` means to times."""
    return ZoneInfo(zone) if isinstance(zone, str) else zone


def name_basis(zone: Zone) -> TimeBasis:
    """Return the basis of times that were naive and got `zone`: a fixed offset is one of notes."""
    return "zone" if isinstance(zone, str) else "notes"


@dataclass
class StampClock:
    """Turns the words for times into instants, in the order of the file.

    `zone` is that of times without one. Where it is None, such times are read as if they were UTC
    and `first` and `last` span them: `check` refuses them when all are known.
    """

    file: str
    zone: Zone | None
    basis: TimeBasis = "utc"
    first: datetime | None = None
    last: datetime | None = None

    def read(self, text: str | None) -> int | None:
        """Return microseconds since 1970-01-01T00:00:00Z, None when there is no such time."""
        try:
            instant = datetime.fromisoformat((text or "").strip())
        except ValueError:
            return None
        if instant.tzinfo is not None:
            return to_microseconds(instant)
        if self.zone is None:
            self.first = instant if self.first is None else min(self.first, instant)
            self.last = instant if self.last is None else max(self.last, instant)
            return to_microseconds(instant.replace(tzinfo=UTC))
        self.basis = name_basis(self.zone)
        return to_microseconds(instant.replace(tzinfo=open_zone(self.zone)))

    def check(self) -> None:
        """Raise NoClockError when a time had no zone and none was stated."""
        if self.first is not None and self.last is not None:
            raise NoClockError(
                self.file,
                found=f"its times have no zone ({self.first.isoformat()})",
                remedy=REMEDY,
                local_span=(self.first, self.last),
            )
