"""Channels that two devices recorded and one sensor made: one signal, no agreement.

A watch stores what a bicycle computer or a pod sends, or a program exports a recording again under
another name. What is one signal judges nobody who shows it, and counts once among several.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.maths.geodesy import project_to_plane
from tasks.maths.same_signal import (
    HEIGHT,
    SPEED,
    Sameness,
    compare_counters,
    compare_places,
    compare_series,
)
from tasks.workout.tracks import get_plane

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from config.devices import ReferenceChannel
    from tasks.core.registers import Against
    from tasks.workout.case import Subject, Workout

#: Channel that is compared for each kind, and the word of `reference_for` that decides for it.
_CHANNELS: Final[Mapping[Against, str]] = {
    "position": "latitude_deg",
    "speed": "speed_mps",
    "distance": "distance_m",
    "altitude": "altitude_m",
}
KINDS: Final = tuple(_CHANNELS)
#: Share of near seconds below which two counters are two.
_APART: Final = 0.9
DECIDING: Final[Mapping[Against, ReferenceChannel]] = {
    "heart_rate": "heart_rate",
    "position": "position",
    "speed": "distance",
    "distance": "distance",
    "altitude": "altitude",
}


@dataclass(frozen=True)
class Shared:
    """Another device with the same signal: in which share of the seconds it is equal.

    `is_copy` says that this recording shows the other's signal; None where nothing tells which of
    the two has the sensor.
    """

    other: Subject
    share: float
    is_copy: bool | None

    def describe(self, kind: Against) -> str:
        """Return what was found in one clause."""
        return f"its {kind} is the same signal as that of {self.other.device.id}"


def find_shared(workout: Workout, subject: Subject, kind: Against) -> tuple[Shared, ...]:
    """Return the other devices that show the signal of a recording, found once per workout."""
    if kind not in _CHANNELS:
        return ()
    found = []
    for other in workout.subjects:
        if other.device.id == subject.device.id:
            continue
        first, second = sorted((subject, other), key=lambda one: one.recording_id)
        key = f"shared:{kind}:{first.recording_id}:{second.recording_id}"
        if key not in workout.memo:
            workout.memo[key] = _compare(workout, first, second, kind)
        sameness: Sameness = workout.memo[key]
        if sameness.is_same:
            late_s = sameness.shift if subject is second else -sameness.shift
            found.append(Shared(other, sameness.share_equal, _tell(subject, other, kind, late_s)))
    return tuple(found)


def leave_one_each(workout: Workout, subjects: Sequence[Subject], kind: Against) -> list[Subject]:
    """Return the recordings with one of those that show one signal: who made it, else the first."""
    kept: list[Subject] = []
    ranked = sorted(subjects, key=lambda one: _is_copy(workout, one, kind))
    for subject in ranked:
        same = {shared.other.recording_id for shared in find_shared(workout, subject, kind)}
        if not any(one.recording_id in same for one in kept):
            kept.append(subject)
    return [one for one in subjects if one in kept]


def find_original(workout: Workout, subject: Subject, kind: Against) -> Shared | None:
    """Return whose signal a recording shows; None where it is its own, or nothing tells."""
    return next((one for one in find_shared(workout, subject, kind) if one.is_copy), None)


def _is_copy(workout: Workout, subject: Subject, kind: Against) -> bool:
    return find_original(workout, subject, kind) is not None


def _tell(subject: Subject, other: Subject, kind: Against, late_s: int) -> bool | None:
    """Say whether the first shows the other's signal: it is no reference, else it comes later."""
    own, others = (one.device.is_reference_for(DECIDING[kind]) for one in (subject, other))
    if own != others:
        return others
    return late_s > 0 if late_s else None


def _compare(workout: Workout, first: Subject, second: Subject, kind: Against) -> Sameness:
    channel = _CHANNELS[kind]
    has_both = first.has(channel) and second.has(channel)
    if kind == "distance" and not has_both:
        # Who has no counter is measured by the way between the positions.
        return _compare(workout, first, second, "position")
    if not has_both:
        return Sameness(np.nan, 0, is_same=False)
    if kind == "position":
        return _compare_tracks(workout, first, second)
    if kind == "speed" and _count_apart(first, second):
        # Who is sent a speed counts by it as well.
        return Sameness(np.nan, 0, is_same=False)
    one, other = (np.where(side.paused, np.nan, side.values(channel)) for side in (first, second))
    if kind == "distance":
        return compare_counters(one, other)
    return compare_series(one, other, SPEED if kind == "speed" else HEIGHT)


def _count_apart(first: Subject, second: Subject) -> bool:
    """Say whether two devices have distance counters that are not one."""
    found = compare_counters(first.values("distance_m"), second.values("distance_m"))
    return found.share_equal < _APART


def _compare_tracks(workout: Workout, first: Subject, second: Subject) -> Sameness:
    origin = get_plane(workout)
    sides = (first, second)
    is_real = all(side.recording.header.position_kind != "virtual" for side in sides)
    if origin is None or not is_real:
        return Sameness(np.nan, 0, is_same=False)
    planes = [
        project_to_plane(side.values("latitude_deg"), side.values("longitude_deg"), origin=origin)
        for side in sides
    ]
    one, other = (np.vstack([plane.east_m, plane.north_m]) for plane in planes)
    return compare_places(one, other)
