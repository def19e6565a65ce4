"""Notes of a workout: what the tester wrote down that no export says."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime


#: Keys of a setup that hold something read off a device, not a condition that it was worn in.
READ_OFF: Final = frozenset({"battery_start_pct", "battery_end_pct", "prompt_utc", "note"})
#: Notes whose start lies this far before the first sample still belong to the workout [s]; a watch
#: is started late, a note is rounded (common practice, no source).
NOTES_EARLY_S: Final = 1800.0
#: A distance is whole pool lengths when it is so many of them to this part of one.
_WHOLE_LENGTHS: Final = 0.02


@dataclass(frozen=True)
class Truth:
    """Values known from outside the recordings. None where the notes do not say.

    `strokes` holds one stroke per length, or a single one that holds for all. `stroke_count` is
    how many strokes were swum in all.
    """

    distance_m: float | None = None
    distance_tolerance_pct: float | None = None
    ascent_m: float | None = None
    start_utc: datetime | None = None
    lengths: int | None = None
    pool_length_m: float | None = None
    strokes: tuple[str, ...] = ()
    stroke_count: int | None = None

    @property
    def known_distance_m(self) -> float | None:
        """The true distance: as stated, else in a pool lengths times its length."""
        if self.distance_m is not None:
            return self.distance_m
        if self.lengths is None or self.pool_length_m is None:
            return None
        return self.lengths * self.pool_length_m

    @property
    def known_lengths(self) -> int | None:
        """The true number of pool lengths: as counted, else a distance of whole lengths."""
        if self.lengths is not None:
            return self.lengths
        if self.distance_m is None or not self.pool_length_m:
            return None
        count = self.distance_m / self.pool_length_m
        return round(count) if abs(count - round(count)) <= _WHOLE_LENGTHS else None


@dataclass(frozen=True)
class NamedSegment:
    """A named part of a workout.

    Each end is either seconds after the start of the notes (`from_s`, `to_s`) or an instant
    (`from_utc`, `to_utc`); exactly one of each couple is set. `distance_m` is the true distance
    of the part where it is known.
    """

    name: str
    from_s: float | None = None
    to_s: float | None = None
    from_utc: datetime | None = None
    to_utc: datetime | None = None
    distance_m: float | None = None


@dataclass(frozen=True)
class Exclusion:
    """Something that is set aside, and why.

    `device` is None for every device, `domain` for every domain of metrics; `from_utc` and
    `until_utc` are None where it reaches to the start or the end. `file_id` is the notes file
    that says so.
    """

    because: str
    device: str | None = None
    domain: str | None = None
    from_utc: datetime | None = None
    until_utc: datetime | None = None
    file_id: str = ""

    @property
    def is_partial(self) -> bool:
        """Whether it holds for a part of the time only."""
        return self.from_utc is not None or self.until_utc is not None

    def concerns(self, device_id: str, domain: str | None = None) -> bool:
        """Say whether it holds for a device and, with `domain`, for that domain."""
        if self.device not in {None, device_id}:
            return False
        return domain is None or self.domain in {None, domain}


@dataclass(frozen=True)
class Split:
    """A recording that is two: the second begins `at_utc` on the recording's own clock."""

    recording_id: str
    at_utc: datetime


@dataclass(frozen=True)
class Notes:
    """What one notes file says of one workout.

    With `adds` the notes are no newer version of others: what they set aside joins them. `workout`
    is the id of the workout where a command wrote it down, `start_utc` finds it otherwise; with
    `whole_day` only the date is known and `start_utc` is its midnight. `setup` maps a device id to
    its setup keys and values. `local_offset_s` is local time minus UTC as written in `start`.
    `removed` maps ids of exports that count for nothing to the reason, `owners` recordings to the
    device that made them; `groups` are recordings that are one workout, or stand apart; `splits`
    are recordings that are two.
    `lines` gives the line in the file of what may only turn out wrong when the workout is there:
    `setup.<device>`, `segment.<name>`, `exclude.<device>`.
    """

    start_utc: datetime
    local_offset_s: int | None = None
    activity: str | None = None
    place: str | None = None
    course: str | None = None
    truth: Truth = field(default_factory=Truth)
    segments: tuple[NamedSegment, ...] = ()
    setup: Mapping[str, Mapping[str, str | float | bool]] = field(default_factory=dict)
    file_id: str = ""
    name: str = ""
    whole_day: bool = False
    note: str | None = None
    exclusions: tuple[Exclusion, ...] = ()
    removed: Mapping[str, str] = field(default_factory=dict)
    groups: tuple[tuple[Literal["together", "apart"], tuple[str, ...]], ...] = ()
    owners: Mapping[str, str] = field(default_factory=dict)
    splits: tuple[Split, ...] = ()
    adds: bool = False
    workout: str | None = None
    lines: Mapping[str, int] = field(default_factory=dict)

    @property
    def mark(self) -> str:
        """Sixteen hex digits that change with what the notes say, not with how it is written."""
        said = asdict(self)
        for key in ("file_id", "name", "lines", "adds", "workout"):
            del said[key]
        for exclusion in said["exclusions"]:
            del exclusion["file_id"]
        for key in ("note", "exclusions", "removed", "groups", "owners", "splits"):
            if not said[key]:
                del said[key]
        text = json.dumps(said, sort_keys=True, default=str)
        return hashlib.sha256(text.encode()).hexdigest()[:16]

    def locate(self, key: str) -> str:
        """Return file and line of `key`, as errors begin."""
        line = self.lines.get(key)
        return self.name if line is None else f"{self.name}, line {line}"
