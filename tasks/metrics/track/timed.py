"""Position errors second by second, where both clocks are good."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import Example, Value, metric, unknown
from tasks.maths.geodesy import project_to_plane
from tasks.maths.positions import compute_2drms_m
from tasks.metrics.track.compared import (
    ASIDE,
    EAST_WAY,
    NOWHERE,
    POSITION,
    STRAIGHT,
    place_points,
)
from tasks.workout.tracks import explain_no_positions, get_plane

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray
    from tasks.workout.case import Case

_SOURCE: Final = (
    "van Diggelen 2007, GNSS accuracy: lies, damn lies, and statistics, GPS World; quantiles of "
    "the sample, no distribution assumed"
)
#: Half the window over which the reference's direction is taken [s].
_HALF_S: Final = 2
#: The reference is 4 m ahead along the way (2 s at 2 m/s), and 3 m to the right.
_BEHIND: Final[dict[str, Any]] = {
    "test": place_points([value - 4.0 for value in EAST_WAY], [3.0] * 101),
    "reference": STRAIGHT,
}
_BY_SPEED: Final = Example({**ASIDE, "method": "speed"}, None, "clocks set by speed")
_MISSING: Final = Example(NOWHERE, None, "no positions")


@dataclass(frozen=True)
class TimedErrors:
    """Errors in the seconds in which both sides have a position, ``(n_seconds,)`` each [m].

    ``along_m`` is ahead positive, NaN where the reference does not move.
    """

    east_m: FloatArray
    north_m: FloatArray
    along_m: FloatArray
    n_reference: int

    @property
    def size_m(self) -> FloatArray:
        """Horizontal size of the errors."""
        size: FloatArray = np.hypot(self.east_m, self.north_m)
        return size

    def make_value(self, value: float) -> Value:
        """Wrap a value with n and coverage."""
        n = self.east_m.size
        return Value(value, n=n, coverage=n / self.n_reference if self.n_reference else None)


@metric(
    "track",
    title="Position error, median (CEP50)",
    unit="m",
    version=2,
    definition="Half of the seconds the position is nearer than this to the reference's position "
    "in the same second; includes errors of both devices and up to half a second of movement",
    formula="median of the horizontal distance between both positions of a second",
    better="lower",
    source=_SOURCE,
    examples=(Example(_BEHIND, 5.0, "by hand: 3 m aside, 4 m behind", 1e-3), _BY_SPEED, _MISSING),
    against="position",
    needs=POSITION,
)
def track_cep50_m(case: Case) -> Value:
    """Return the median horizontal error [m]."""
    found = find_timed_errors(case)
    return found if isinstance(found, Value) else found.make_value(float(np.median(found.size_m)))


@metric(
    "track",
    title="Position error, 95 % (CEP95)",
    unit="m",
    version=2,
    definition="In 95 % of the seconds the position is nearer than this to the reference's "
    "position in the same second; includes errors of both devices",
    formula="95th percentile of the horizontal distance between both positions of a second",
    better="lower",
    source=_SOURCE,
    examples=(Example(_BEHIND, 5.0, "by hand: 3 m aside, 4 m behind", 1e-3), _BY_SPEED, _MISSING),
    against="position",
    needs=POSITION,
)
def track_cep95_m(case: Case) -> Value:
    """Return the 95th percentile of the horizontal error [m]."""
    found = find_timed_errors(case)
    return (
        found
        if isinstance(found, Value)
        else found.make_value(float(np.quantile(found.size_m, 0.95)))
    )


@metric(
    "track",
    title="Position error, 2DRMS",
    unit="m",
    version=2,
    definition="Twice the root mean square of the horizontal error in the same second; contains "
    "95 to 98 % of normally distributed errors, depending on the shape of their scatter, and no "
    "fixed share of others",
    formula="2 sqrt(mean(east error^2 + north error^2))",
    better="lower",
    source="van Diggelen 2007, GNSS accuracy: lies, damn lies, and statistics, GPS World",
    examples=(Example(_BEHIND, 10.0, "by hand: twice 5 m", 1e-3), _BY_SPEED, _MISSING),
    against="position",
    needs=POSITION,
)
def track_2drms_m(case: Case) -> Value:
    """Return 2DRMS [m]."""
    found = find_timed_errors(case)
    if isinstance(found, Value):
        return found
    return found.make_value(compute_2drms_m(found.east_m, found.north_m))


@metric(
    "track",
    title="Along-track error",
    unit="m",
    version=2,
    definition="Mean distance by which the position is ahead of the reference's position in the "
    "same second, negative behind it; a delay of the position and a slow clock look the same",
    formula="mean of the error in the reference's direction over 4 s, where it moves",
    better="zero",
    source="common practice, no source",
    examples=(Example(_BEHIND, -4.0, "by hand: 4 m behind", 1e-3), _BY_SPEED, _MISSING),
    against="position",
    needs=POSITION,
)
def track_along_bias_m(case: Case) -> Value:
    """Return the mean along-track error [m]."""
    found = find_timed_errors(case)
    if isinstance(found, Value):
        return found
    moving = found.along_m[np.isfinite(found.along_m)]
    if not moving.size:
        return unknown("the reference does not move")
    return found.make_value(float(moving.mean()))


@metric(
    "track",
    title="Along-track error, RMS",
    unit="m",
    version=2,
    definition="Root mean square of the error in the direction of travel in the same second; a "
    "wrong clock shows here as much as a wrong position",
    formula="sqrt(mean(along-track error^2))",
    better="lower",
    source="common practice, no source",
    examples=(Example(_BEHIND, 4.0, "by hand: 4 m behind", 1e-3), _BY_SPEED, _MISSING),
    against="position",
    needs=POSITION,
)
def track_along_rms_m(case: Case) -> Value:
    """Return the Along-track error, RMS [m]."""
    found = find_timed_errors(case)
    if isinstance(found, Value):
        return found
    moving = found.along_m[np.isfinite(found.along_m)]
    if not moving.size:
        return unknown("the reference does not move")
    return found.make_value(float(np.sqrt(np.mean(moving**2))))


def find_timed_errors(case: Case) -> TimedErrors | Value:
    """Return the errors of the same second, found once, or why there are none."""
    return case.once("track:timed", lambda: _find_timed_errors(case))


def _find_timed_errors(case: Case) -> TimedErrors | Value:
    reason = explain_no_positions(case) or _explain_clocks(case)
    if reason is not None:
        return unknown(reason)
    reference, origin = case.reference, get_plane(case.workout)
    latitude = None if reference is None else reference.values("latitude_deg")
    longitude = None if reference is None else reference.values("longitude_deg")
    if latitude is None or longitude is None or origin is None:
        return unknown("the reference line has no times")
    own = project_to_plane(
        case.test.values("latitude_deg"), case.test.values("longitude_deg"), origin=origin
    )
    other = project_to_plane(latitude, longitude, origin=origin)
    has_reference = case.counted & np.isfinite(other.east_m)
    both = has_reference & np.isfinite(own.east_m)
    if not both.any():
        return unknown("in no second both have a position")
    east, north = own.east_m - other.east_m, own.north_m - other.north_m
    way_east, way_north = _find_way(other.east_m), _find_way(other.north_m)
    speed = np.hypot(way_east, way_north)
    moves = speed >= case.settings.position.moving_mps
    along = np.full(east.size, np.nan)
    along[moves] = (east[moves] * way_east[moves] + north[moves] * way_north[moves]) / speed[moves]
    return TimedErrors(east[both], north[both], along[both], int(has_reference.sum()))


def _find_way(values: FloatArray) -> FloatArray:
    """Return the change per second over 4 s about each second, NaN at the ends and beside gaps."""
    way = np.full(values.size, np.nan)
    if values.size > 2 * _HALF_S:
        way[_HALF_S:-_HALF_S] = (values[2 * _HALF_S :] - values[: -2 * _HALF_S]) / (2 * _HALF_S)
    return way


def _explain_clocks(case: Case) -> str | None:
    """Say why positions of one second mean nothing; None where both clocks are set by GNSS."""
    reference = case.reference
    if reference is None:
        return "there is nothing to compare with"
    if reference.name.startswith("course:"):
        return "a course has no times"
    others = case.others if reference.subject is None else (reference.subject,)
    sides = (case.test, *(other for other in others if other.has("latitude_deg")))
    methods = {side.alignment.method for side in sides}
    if methods != {"gnss"}:
        return (
            "positions of one second are compared only where satellites set both clocks; here one "
            f"was set by {', '.join(sorted(methods - {'gnss'}))}"
        )
    return None
