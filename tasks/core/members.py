"""Which recordings are one workout: what pairing takes and gives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from datetime import datetime

    from tasks.core.recording import PositionKind, TimeBasis


@dataclass(frozen=True)
class Candidate:
    """A recording as it is known before its samples are opened; times are its own clock's.

    `device_id` names the unit; unless it `is_described` in `devices.toml`, the id was made by us
    and two units that look the same may bear it. With `time_basis`
    "elapsed" the times count from 1970-01-01T00:00:00Z. `known_workout_id` is the workout that it
    was given to last: where a recording without a date looks first.
    """

    recording_id: str
    device_id: str
    start_utc: datetime
    end_utc: datetime
    sport: str | None = None
    time_basis: TimeBasis = "utc"
    position_kind: PositionKind = "none"
    file_name: str = ""
    n_samples: int = 0
    known_workout_id: str | None = None
    is_described: bool = True


@dataclass(frozen=True)
class Grouping:
    """Recordings that a person put together, or apart from others, by id, in that order."""

    sets: tuple[tuple[Literal["together", "apart"], tuple[str, ...]], ...] = ()


@dataclass(frozen=True)
class Member:
    """One recording in a workout.

    `clock_shift_s` is what its times need before any fine alignment: whole quarter hours for a
    wrong clock, the time of its start for a recording that only counts from its start.
    `duplicate_of` names the richer recording of the same unit that is used instead, `continues`
    the earlier recording of the same unit that this one goes on from. `note` is what a reader must
    know about all this.
    """

    recording_id: str
    clock_shift_s: float = 0.0
    duplicate_of: str | None = None
    continues: str | None = None
    note: str | None = None


@dataclass(frozen=True)
class WorkoutMembers:
    """One workout: its members, by start and id, and their span with the shifts applied."""

    members: tuple[Member, ...]
    start_utc: datetime
    end_utc: datetime
