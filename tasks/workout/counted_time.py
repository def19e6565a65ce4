"""Distances that were made of the time, where the athlete did not move so evenly.

A belt runs at exactly its set speed, so a counter that grows in proportion to time may be right:
indoors it is kept. It is withheld where satellites saw somebody move, or where the own speed or
another device shows a pace that changed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.maths.counters import is_proportional, measure_unevenness
from tasks.tables.arrow import read_floats, read_seconds
from tasks.workout.case import Withheld
from tasks.workout.unit_mismatch import sum_speed, sum_track

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray
    from tasks.workout.case import Subject, Workout

#: Places where a belt or a flywheel is set to a speed.
_SET_SPEED: Final = ("treadmill", "trainer", "gym")
#: Way by satellites from which somebody moved over ground [m].
_LEAST_WAY_M: Final = 300.0
#: Spread of the way per minute, in its median, from which a pace changed: sensors on a foot or
#: wrist differ by less from minute to minute on a belt (common practice, no source).
_UNEVEN: Final = 0.05


def find_counted_time(workout: Workout, subject: Subject) -> dict[str, Withheld]:
    """Return the distance of a recording if it was made of the time, with what tells it."""
    if workout.place in _SET_SPEED or not subject.has("distance_m"):
        return {}
    if not _counts_time(subject):
        return {}
    against = _find_contradiction(workout, subject)
    if against is None:
        return {}
    why = f"distance grows exactly in proportion to time, {against}: it was not measured"
    return {"distance_m": Withheld("distance_m", why)}


def _counts_time(subject: Subject) -> bool:
    samples = subject.recording.samples
    return is_proportional(read_seconds(samples), read_floats(samples, "distance_m"))


def _find_contradiction(workout: Workout, subject: Subject) -> str | None:
    """Say what shows that nobody moved so evenly; None where nothing does."""
    for other in (subject, *(one for one in workout.subjects if one is not subject)):
        whose = "its own" if other is subject else f"the {{}} of {other.device.id}"
        track = sum_track(workout, other)
        if track is not None and float(np.nanmax(track)) >= _LEAST_WAY_M:
            return f"but {_name(whose, 'positions')} moved over ground"
        for name, way in _list_ways(other, is_own=other is subject):
            if measure_unevenness(way) > _UNEVEN:
                return f"but {_name(whose, name)} shows another pace"
    return None


def _name(whose: str, what: str) -> str:
    return whose.format(what) if "{}" in whose else f"{whose} {what}"


def _list_ways(subject: Subject, *, is_own: bool) -> list[tuple[str, FloatArray]]:
    ways = [("speed", sum_speed(subject))]
    if not is_own and not _counts_time(subject):
        ways.append(("distance", subject.values("distance_m")))
    return ways
