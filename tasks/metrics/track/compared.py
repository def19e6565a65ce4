"""The fixes of a case that are compared with the reference line, and worked tracks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import Value, unknown
from tasks.workout.tracks import explain_no_positions, get_match, mark_case

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray, FloatArray
    from tasks.workout.case import Case
    from tasks.workout.tracks import TrackMatch

POSITION: Final = ("latitude_deg", "longitude_deg")
#: One degree on the equator [m], WGS 84: east 6378137 pi / 180; north 6335439.327 pi / 180, the
#: radius of curvature of the meridian there, a (1 - e^2).
EAST_M_PER_DEG: Final = 111_319.490_793
NORTH_M_PER_DEG: Final = 110_574.275_821


def place_points(east_m: list[float], north_m: list[float]) -> dict[str, list[float | None]]:
    """Return positions near 0 N 0 E from metres; worked examples are small enough for that."""
    return {
        "latitude_deg": [value / NORTH_M_PER_DEG for value in north_m],
        "longitude_deg": [value / EAST_M_PER_DEG for value in east_m],
    }


#: 200 m east at 2 m/s, and the same way 3 m to the left of it (north).
EAST_WAY: Final[list[float]] = [2.0 * second for second in range(101)]
STRAIGHT: Final = place_points(EAST_WAY, [0.0] * 101)
ASIDE: Final[dict[str, Any]] = {
    "test": place_points(EAST_WAY, [3.0] * 101),
    "reference": STRAIGHT,
}
NOWHERE: Final[dict[str, Any]] = {
    "test": {"heart_rate_bpm": [100.0]},
    "reference": {"heart_rate_bpm": [100.0]},
}
LINE: Final = [
    [0.0, 0.0],
    [0.0, 200.0 / EAST_M_PER_DEG],
]


@dataclass(frozen=True)
class Deviation:
    """Distances of the fixes that count to the reference line, ``(n_fixes,)`` each.

    ``side_m`` is right positive, left negative; ``weight_s`` how long each fix holds;
    ``n_reference`` the seconds in which there was a reference.
    """

    match: TrackMatch
    chosen: BoolArray
    distance_m: FloatArray
    side_m: FloatArray
    weight_s: FloatArray
    n_reference: int

    @property
    def n(self) -> int:
        """Seconds compared."""
        return round(float(self.weight_s.sum()))

    @property
    def coverage(self) -> float | None:
        """Compared seconds / seconds in which there was a reference."""
        return min(1.0, self.n / self.n_reference) if self.n_reference else None

    def average(self, values: FloatArray) -> float:
        """Return the mean of values, weighed by the time that each fix holds."""
        return float(values @ self.weight_s / self.weight_s.sum())

    def make_value(self, value: float) -> Value:
        """Wrap a value with n and coverage, and say which way a course was run."""
        note = "the course was run from its end" if self.match.matched.is_reversed else None
        return Value(value, n=self.n, coverage=self.coverage, reason=note)


def compare_tracks(case: Case) -> Deviation | Value:
    """Return the deviations of the case's fixes, found once, or why there are none."""
    return case.once("track:deviation", lambda: _compare(case))


def _compare(case: Case) -> Deviation | Value:
    if case.reference is None:
        return unknown("there is nothing to compare with")
    reason = explain_no_positions(case)
    if reason is not None:
        return unknown(reason)
    match = get_match(case)
    if match is None:
        return unknown("the reference has no line")
    chosen = mark_case(case, match.fixes) & match.is_scored
    n_reference = _count_reference(case)
    if not chosen.any() or not match.fixes.weight_s[chosen].any():
        return unknown(
            "no fix lies on the reference line within reach",
            coverage=0.0 if n_reference else None,
        )
    return Deviation(
        match,
        chosen,
        match.matched.distance_m[chosen],
        match.matched.side_m[chosen],
        match.fixes.weight_s[chosen],
        n_reference,
    )


def _count_reference(case: Case) -> int:
    reference = case.reference
    latitude = None if reference is None else reference.values("latitude_deg")
    if latitude is None:
        # A course is there all the time.
        return int((case.counted & case.test.covered).sum())
    return int((case.counted & np.isfinite(latitude)).sum())
