"""How a track passes the corners of the reference line: cut, smoothed or noisy."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import Example, Value, metric, unknown
from tasks.maths.corners import (
    Corner,
    compute_inside_rad,
    compute_turning_rad,
    find_corners,
    measure_passage,
)
from tasks.metrics.track.compared import NOWHERE, POSITION, compare_tracks, place_points

if TYPE_CHECKING:
    from tasks.maths.corners import Passage
    from tasks.maths.lines import Line
    from tasks.metrics.track.compared import Deviation
    from tasks.workout.case import Case

SOURCE: Final = "common practice, no source"
#: How much of the line on both sides of the apex a corner is measured on [m].
_AROUND_M: Final = 40.0
_LEAST_TURNING_RAD: Final = np.pi / 4

# A square corner: 100 m east, then 100 m north, at 2 m/s; the test leaves the line 20 m before the
# corner and meets it 20 m behind: its chord passes 20 / sqrt(2) m inside the apex.
_EAST: Final = [2.0 * second for second in range(51)] + [100.0] * 50
_NORTH: Final = [0.0] * 51 + [2.0 * second for second in range(1, 51)]
_CUT_EAST: Final = [2.0 * s for s in range(41)] + [80.0 + s for s in range(1, 21)] + [100.0] * 40
_CUT_NORTH: Final = (
    [0.0] * 41 + [1.0 * s for s in range(1, 21)] + [20.0 + 2 * s for s in range(1, 41)]
)
CUT_CORNER: Final[dict[str, Any]] = {
    "test": place_points(_CUT_EAST, _CUT_NORTH),
    "reference": place_points(_EAST, _NORTH),
}
KEPT_CORNER: Final[dict[str, Any]] = {
    "test": place_points(_EAST, _NORTH),
    "reference": place_points(_EAST, _NORTH),
}
NO_POSITIONS: Final = Example(NOWHERE, None, "no positions")


@dataclass(frozen=True)
class Passed:
    """A corner that the test passed, how, and when (second on the workout's clock)."""

    corner: Corner
    passage: Passage
    second: float


@dataclass(frozen=True)
class Passages:
    """All corners passed in a case, and the way along the line that was compared [m]."""

    passed: tuple[Passed, ...]
    way_m: float
    n: int
    coverage: float | None

    def make_value(self, value: float) -> Value:
        """Wrap a value; n is the number of corners."""
        return Value(value, n=len(self.passed), coverage=self.coverage)

    def decline(self, reason: str) -> Value:
        """Say why there is no value."""
        return unknown(reason, n=len(self.passed), coverage=self.coverage)


@metric(
    "track",
    title="Depth of corners, median",
    unit="m",
    version=3,
    definition="Median distance by which the track passes inside the apex of corners, outside "
    "negative; all corners, cut or not; the apex is as accurate as the reference line",
    formula="median of the distance from apex to track, inside positive",
    better="zero",
    source=SOURCE,
    examples=(
        Example(CUT_CORNER, 200**0.5, "by hand: 20 / sqrt(2)", 0.02),
        Example(
            KEPT_CORNER, 0.0, "by hand: on the line; apexes are found to a quarter metre", 0.25
        ),
        NO_POSITIONS,
    ),
    against="position",
    needs=POSITION,
)
def track_corner_cut_median_m(case: Case) -> Value:
    """Return the median depth of corners [m]."""
    found = find_passages(case)
    if isinstance(found, Value):
        return found
    if not found.passed:
        return found.decline("the reference line has no corner there")
    return found.make_value(float(np.median([one.passage.depth_m for one in found.passed])))


@metric(
    "track",
    title="Distance lost in corners",
    unit="m",
    version=2,
    definition="Distance along the reference line minus distance along the track, summed over 40 "
    "m on both sides of each corner; noise lengthens the track, so the value can be negative",
    formula="sum over corners of (distance along the line - distance along the track)",
    better="zero",
    source=SOURCE,
    examples=(
        Example(CUT_CORNER, 40 - 800**0.5, "by hand: 40 m against the chord of sqrt(800) m", 0.05),
        Example(KEPT_CORNER, 0.0, "by hand: the same way", 0.02),
        NO_POSITIONS,
    ),
    against="position",
    needs=POSITION,
)
def track_corner_lost_m(case: Case) -> Value:
    """Return the distance lost in corners [m]."""
    found = find_passages(case)
    if isinstance(found, Value):
        return found
    if not found.passed:
        return found.decline("the reference line has no corner there")
    return found.make_value(float(sum(one.passage.lost_m for one in found.passed)))


@metric(
    "track",
    title="Turn retained in corners",
    unit="1",
    version=3,
    definition="Turn of the track within 20 m about the corners as a share of the turn of the "
    "reference line there: 1 where corners are kept, less where they are smoothed; errors of "
    "single corners cancel; where the line turns straight back, a turn to either side counts",
    formula="sum of turns of the track / sum of turns of the line, over all corners",
    better="none",
    source=SOURCE,
    examples=(
        Example(
            CUT_CORNER,
            0.0,
            "by hand: within 10 m of its middle a chord of 28 m turns nothing",
            0.02,
        ),
        Example(KEPT_CORNER, 1.0, "by hand: the same turn", 0.01),
        NO_POSITIONS,
    ),
    against="position",
    needs=POSITION,
)
def track_turn_retention(case: Case) -> Value:
    """Return the share of turn retained in corners."""
    found = find_passages(case)
    if isinstance(found, Value):
        return found
    if not found.passed:
        return found.decline("the reference line has no corner there")
    own = sum(one.passage.turn_deg for one in found.passed)
    line = sum(abs(one.corner.turn_deg) for one in found.passed)
    return found.make_value(own / line)


@metric(
    "track",
    title="Turning ratio",
    unit="1",
    version=2,
    definition="Total turning of the track, resampled every 10 m, as a share of that of the "
    "reference line: below 1 for a smoothed track, above 1 for a noisy one; a noisy reference "
    "makes it smaller",
    formula="sum |change of direction| of the track / that of the line",
    better="none",
    source=SOURCE,
    examples=(
        Example(KEPT_CORNER, 1.0, "by hand: the same track", 1e-6),
        Example(
            {
                "test": place_points([2.0 * s for s in range(101)], [0.0] * 101),
                "reference": place_points([2.0 * s for s in range(101)], [0.0] * 101),
            },
            None,
            "a straight line turns nothing",
        ),
        NO_POSITIONS,
    ),
    against="position",
    needs=POSITION,
    whole_only=True,
)
def track_turning_ratio(case: Case) -> Value:
    """Return the turning ratio."""
    found = compare_tracks(case)
    if isinstance(found, Value):
        return found
    spacing = case.settings.position.turning_spacing_m
    own = line = 0.0
    chosen = np.flatnonzero(found.chosen)
    # Where fixes are missing in between, both sides are cut.
    for part in np.split(chosen, np.flatnonzero(np.diff(chosen) > 1) + 1):
        along = found.match.matched.along_m[part]
        low, high = float(along[0]), float(along[-1])
        own += compute_turning_rad(
            found.match.fixes.east_m[part], found.match.fixes.north_m[part], spacing_m=spacing
        )
        line += _sum_turning(found.match.line, low, high, spacing)
    if line < _LEAST_TURNING_RAD:
        return unknown("the reference line hardly turns", n=found.n, coverage=found.coverage)
    return found.make_value(own / line)


def find_passages(case: Case) -> Passages | Value:
    """Return the corners that the test passed in the case's seconds, found once."""
    return case.once("track:passages", lambda: _find_passages(case))


def _find_passages(case: Case) -> Passages | Value:
    found = compare_tracks(case)
    if isinstance(found, Value):
        return found
    limits = case.settings.position
    reference = case.reference
    if reference is not None and reference.name == "consensus":
        # A consensus wanders by its own error: corners that nobody ran would be found in it.
        unsure = reference.uncertainty
        if unsure is None or unsure > limits.cut_m / 2:
            how = "not known how sure" if unsure is None else f"sure to {unsure:.1f} m only"
            return unknown(
                f"the consensus is {how}; corners need {limits.cut_m / 2:g} m",
                n=found.n,
                coverage=found.coverage,
            )
    line = found.match.line
    key = f"track:corners:{id(line)}"
    corners = case.once_per_workout(
        key,
        lambda: find_corners(
            line, least_turn_deg=limits.corner_deg, within_m=limits.corner_within_m
        ),
    )
    along = found.match.matched.along_m
    chosen = np.flatnonzero(found.chosen)
    steps = np.diff(along[chosen])
    way = float(steps[np.diff(chosen) == 1].sum())
    if way < 0:
        way = 0.0
    passed = []
    for corner in _unroll(corners, line, float(along[chosen].min()), float(along[chosen].max())):
        one = _pass(case, found, corner, chosen)
        if one is not None:
            passed.append(one)
    return Passages(tuple(passed), way, found.n, found.coverage)


def _unroll(corners: tuple[Corner, ...], line: Line, low: float, high: float) -> list[Corner]:
    """Return the corners between two ways, again in every round of a line that closes."""
    if line.cycle_m is None:
        return [corner for corner in corners if low < corner.along_m < high]
    rounds = range(int(np.floor(low / line.cycle_m)), int(np.floor(high / line.cycle_m)) + 1)
    every = [
        Corner(corner.along_m + turn * line.cycle_m, corner.east_m, corner.north_m, corner.turn_deg)
        for turn in rounds
        for corner in corners
    ]
    return [corner for corner in every if low < corner.along_m < high]


def _pass(case: Case, found: Deviation, corner: Corner, chosen: np.ndarray) -> Passed | None:
    """Measure one corner; None where fixes are missing there."""
    along = found.match.matched.along_m[chosen]
    # Ways grow with the fixes but for their scatter: a corner lies between few of them.
    near = np.flatnonzero(np.abs(along - corner.along_m) <= _AROUND_M)
    if not near.size:
        return None
    first, last = max(int(near[0]) - 1, 0), min(int(near[-1]) + 1, chosen.size - 1)
    part = chosen[first : last + 1]
    fixes = found.match.fixes
    gap = case.settings.align.max_gap_position_s
    if (np.diff(fixes.seconds[part]) > gap).any() or (np.diff(part) > 1).any():
        return None
    passage = measure_passage(
        corner,
        fixes.east_m[part],
        fixes.north_m[part],
        found.match.matched.along_m[part],
        inside_rad=compute_inside_rad(found.match.line, corner.along_m),
        within_m=case.settings.position.corner_within_m,
    )
    if passage is None:
        return None
    at = part[np.argmin(np.abs(found.match.matched.along_m[part] - corner.along_m))]
    return Passed(corner, passage, float(fixes.seconds[at]))


def _sum_turning(line: Line, low: float, high: float, spacing: float) -> float:
    if high <= low:
        return 0.0
    places = np.arange(low, high, min(1.0, spacing))
    east, north = line.locate(np.append(places, high))
    return compute_turning_rad(east, north, spacing_m=spacing)
