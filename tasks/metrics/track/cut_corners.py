"""Corners that the device cut, and not the athlete, and what they cost in distance."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Finding, Value, finding, metric
from tasks.maths.geodesy import PlaneTrack, restore_from_plane
from tasks.maths.scatter import MAD_TO_SD
from tasks.metrics.track.compared import POSITION
from tasks.metrics.track.corners import (
    CUT_CORNER,
    KEPT_CORNER,
    NO_POSITIONS,
    SOURCE,
    Passed,
    find_passages,
)
from tasks.metrics.track.stuck import find_stuck
from tasks.workout.case import Case
from tasks.workout.tracks import get_fixes, get_plane

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray
    from tasks.maths.corners import Corner

_METRES_PER_KM: Final = 1000.0
_PERCENT: Final = 100.0
#: So many corners say what a device does elsewhere.
_FEWEST_CORNERS: Final = 5
_SPREADS: Final = 4.0
_AROUND_S: Final = 5.0
_RULE: Final = (
    "turns of the reference line of at least 45 degrees within 20 m that the track passes more "
    "than 5 m inside the apex, and farther inside than the other devices in the middle (without "
    "any, than itself at all corners) by more than 5 m, half of their depth and four times the "
    "scatter of the track, with distance lost; where all leave the line together, the athlete did"
)


@metric(
    "track",
    title="Corners cut per kilometre",
    unit="1/km",
    version=4,
    definition=f"Corners that the device cut, per km: {_RULE}; noise of that size cuts corners, "
    "too",
    formula="corners cut / km of the reference line that was compared",
    better="lower",
    source=SOURCE,
    examples=(
        Example(CUT_CORNER, 1000 / 200, "by hand: one on 200 m", 0.05),
        Example(KEPT_CORNER, 0.0, "by hand: none"),
        NO_POSITIONS,
    ),
    against="position",
    needs=POSITION,
    level="compared",
)
def track_corners_cut_per_km(case: Case) -> Value:
    """Return the number of corners cut per km."""
    found = find_passages(case)
    if isinstance(found, Value):
        return found
    if found.way_m <= 0:
        return found.decline("no way along the reference line was compared")
    return found.make_value(len(find_cut(case)) / found.way_m * _METRES_PER_KM)


@metric(
    "track",
    title="Corners cut",
    unit="1",
    version=2,
    definition=f"Number of corners that the device cut, n being all corners: {_RULE}",
    formula="corners cut",
    better="lower",
    source=SOURCE,
    examples=(
        Example(CUT_CORNER, 1.0, "by hand: one of one"),
        Example(KEPT_CORNER, 0.0, "by hand: none"),
        NO_POSITIONS,
    ),
    against="position",
    needs=POSITION,
)
def track_corners_cut(case: Case) -> Value:
    """Return the number of corners cut."""
    found = find_passages(case)
    return found if isinstance(found, Value) else found.make_value(float(len(find_cut(case))))


@metric(
    "track",
    title="Distance lost in cut corners",
    unit="m",
    version=2,
    definition="Distance along the reference line minus distance along the track, over 40 m on "
    "both sides of each corner that the device cut; says nothing of distance lost elsewhere",
    formula="sum over corners cut of (distance along the line - distance along the track)",
    better="lower",
    source=SOURCE,
    examples=(
        Example(CUT_CORNER, 40 - 800**0.5, "by hand: 40 m against the chord of sqrt(800) m", 0.05),
        Example(KEPT_CORNER, 0.0, "by hand: none"),
        NO_POSITIONS,
    ),
    against="position",
    needs=POSITION,
)
def track_corners_cut_lost_m(case: Case) -> Value:
    """Return the distance lost in cut corners [m]."""
    found = find_passages(case)
    if isinstance(found, Value):
        return found
    return found.make_value(float(sum(one.passage.lost_m for one in find_cut(case))))


@metric(
    "track",
    title="Distance lost in cut corners",
    unit="%",
    version=2,
    definition="The same in percent of the distance along the reference line that was compared: "
    "the part of the distance error that cut corners explain",
    formula="100 track_corners_cut_lost_m / distance along the reference line",
    better="lower",
    source=SOURCE,
    examples=(
        Example(CUT_CORNER, (40 - 800**0.5) / 2, "by hand: of 200 m", 0.05),
        Example(KEPT_CORNER, 0.0, "by hand: none"),
        NO_POSITIONS,
    ),
    against="position",
    needs=POSITION,
)
def track_corners_cut_lost_pct(case: Case) -> Value:
    """Return the same in percent of the distance [%]."""
    found = find_passages(case)
    if isinstance(found, Value):
        return found
    if found.way_m <= 0:
        return found.decline("no way along the reference line was compared")
    lost_m = sum(one.passage.lost_m for one in find_cut(case))
    return found.make_value(_PERCENT * lost_m / found.way_m)


@finding(
    "cut_corner",
    domain="track",
    title="Cut corner",
    unit="m",
    definition=f"{_RULE[0].upper()}{_RULE[1:]}; the size is how far inside, the note says how much "
    "distance was lost",
    version=2,
    source=SOURCE,
    against="position",
    needs=POSITION,
)
def find_cut_corners(case: Case) -> list[Finding]:
    """Return the corners that are cut, each at its apex."""
    found = find_passages(case)
    origin = get_plane(case.workout)
    if isinstance(found, Value) or origin is None:
        return []
    cut = find_cut(case)
    places = PlaneTrack(
        np.array([one.corner.east_m for one in cut]), np.array([one.corner.north_m for one in cut])
    )
    latitude, longitude = restore_from_plane(places, origin=origin)
    return [
        Finding(
            one.second,
            one.second,
            one.passage.depth_m,
            f"{one.passage.depth_m:.1f} m inside {_name_turn(one.corner)}; "
            f"{one.passage.lost_m:.1f} m of distance lost",
            float(north),
            float(east),
        )
        for one, north, east in zip(cut, latitude.tolist(), longitude.tolist(), strict=True)
    ]


def _name_turn(corner: Corner) -> str:
    if corner.goes_back:
        return "a turn back"
    hand = "left" if corner.turn_deg > 0 else "right"
    return f"a turn of {abs(corner.turn_deg):.0f} degrees to the {hand}"


def find_cut(case: Case) -> tuple[Passed, ...]:
    """Return the corners that the test cut in the case's seconds, found once."""
    return case.once("track:corners-cut", lambda: _find_cut(case))


def _find_cut(case: Case) -> tuple[Passed, ...]:
    found = find_passages(case)
    if isinstance(found, Value):
        return ()
    limit = case.settings.position.cut_m
    deep = [one for one in found.passed if one.passage.depth_m > limit and one.passage.lost_m > 0]
    if not deep:
        return ()
    others = _measure_others(case)
    own = [one.passage.depth_m for one in found.passed]
    usual = float(np.median(own)) if len(own) >= _FEWEST_CORNERS else 0.0
    common = {id(one): _find_common(case, others, one.corner, usual) for one in found.passed}
    farther = np.array([one.passage.depth_m - common[id(one)] for one in found.passed])
    least = max(limit, _SPREADS * _estimate_scatter(farther))
    return tuple(
        one
        for one in deep
        if one.passage.depth_m - common[id(one)] > max(least, common[id(one)] / 2)
        and not _is_stuck(case, one)
    )


def _is_stuck(case: Case, one: Passed) -> bool:
    """Say whether the position stood still at the corner: that is reported as such."""
    begins = get_fixes(case.workout, case.test).seconds
    return any(
        begins[stuck.first] - _AROUND_S <= one.second <= stuck.end_s + _AROUND_S
        for stuck in find_stuck(case) or ()
    )


def _estimate_scatter(farther_m: FloatArray) -> float:
    """Return how far depths scatter [m], as an SD, from those outside of the others: noise only.

    Who cuts corners is farther inside; errors of the fixes lie on both sides alike.
    """
    outside = -farther_m[farther_m < 0]
    return float(MAD_TO_SD * np.median(outside)) if outside.size >= _FEWEST_CORNERS else 0.0


def _find_common(
    case: Case, others: dict[int, list[float]], corner: Corner, usual_m: float
) -> float:
    """Return how far inside a corner everybody passed it [m]: what the athlete or the line did.

    The median of the other devices; a device whose own track is the line kept it. Where nobody else
    was there, what the device does elsewhere.
    """
    depths = others.get(round(corner.along_m), [])
    reference = case.reference
    if reference is not None and not reference.name.startswith("course:"):
        depths = [*depths, 0.0]
    return float(np.median(depths)) if depths else usual_m


def _measure_others(case: Case) -> dict[int, list[float]]:
    """Return the depths of the other devices by the corner's place along the line [m]."""
    reference = case.reference
    depths: dict[int, list[float]] = {}
    # A consensus is what the others did.
    if reference is None or reference.name == "consensus":
        return depths
    whose = None if reference.subject is None else reference.subject.recording_id
    for other in case.others:
        is_same = other.device.id == case.test.device.id or other.recording_id == whose
        if is_same or not all(other.has(channel) for channel in POSITION):
            continue
        passages = case.once_per_workout(
            f"track:passages:{other.recording_id}:{reference.name}:{whose}:{case.segment.name}",
            lambda other=other: find_passages(  # type: ignore[misc] # bound at once
                Case(case.workout, other, reference, case.segment)
            ),
        )
        if isinstance(passages, Value):
            continue
        for one in passages.passed:
            depths.setdefault(round(one.corner.along_m), []).append(one.passage.depth_m)
    return depths
