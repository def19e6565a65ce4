"""How far the track lies from the reference line, and on which side."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Value, metric, unknown
from tasks.maths.positions import compute_weighted_quantile
from tasks.metrics.track.compared import (
    ASIDE,
    EAST_WAY,
    LINE,
    NOWHERE,
    POSITION,
    STRAIGHT,
    Deviation,
    compare_tracks,
    place_points,
)
from tasks.workout.tracks import explain_no_positions, get_match, mark_case

if TYPE_CHECKING:
    from tasks.workout.case import Case

_SOURCE: Final = (
    "common practice, no source; order along the line after Newson and Krumm 2009, Hidden Markov "
    "map matching, ACM SIGSPATIAL GIS"
)
#: Half of the way 3 m to the left, half of it 4 m to the right.
_BOTH_SIDES: Final = {
    "test": place_points(EAST_WAY, [3.0] * 50 + [0.0] + [-4.0] * 50),
    "reference": STRAIGHT,
}
_MISSING: Final = Example(NOWHERE, None, "no positions")
_P95: Final = 0.95


@metric(
    "track",
    title="Cross-track error, median",
    unit="m",
    version=2,
    definition="Half of the time the fixes lie nearer to the reference line than this, matched in "
    "order along it; errors along the line and the line's own error do not show",
    formula="weighted median of |cross-track distance|, weights: time that each fix holds",
    better="lower",
    source=_SOURCE,
    examples=(Example(ASIDE, 3.0, "by hand: 3 m aside", 1e-3), _MISSING),
    against="position",
    needs=POSITION,
    level="primary",
)
def track_cross_median_m(case: Case) -> Value:
    """Return the median distance from the line [m]."""
    return _take_quantile(case, 0.5)


@metric(
    "track",
    title="Cross-track error, mean",
    unit="m",
    version=2,
    definition="Mean distance of the fixes from the reference line, matched in order along it; "
    "errors along the line do not show",
    formula="time-weighted mean of |cross-track distance|",
    better="lower",
    source=_SOURCE,
    examples=(
        Example(_BOTH_SIDES, (50 * 3 + 50 * 4) / 101, "by hand: 50 x 3, 0, 50 x 4", 0.01),
        _MISSING,
    ),
    against="position",
    needs=POSITION,
)
def track_cross_mean_m(case: Case) -> Value:
    """Return the mean distance from the line [m]."""
    found = compare_tracks(case)
    if isinstance(found, Value):
        return found
    return found.make_value(found.average(found.distance_m))


@metric(
    "track",
    title="Cross-track error, RMS",
    unit="m",
    version=2,
    definition="Root mean square distance of the fixes from the reference line; large errors "
    "weigh more, and errors along the line do not show",
    formula="sqrt(time-weighted mean of cross-track distance^2)",
    better="lower",
    source=_SOURCE,
    examples=(
        Example(
            _BOTH_SIDES,
            ((50 * 9 + 50 * 16) / 101) ** 0.5,
            "by hand: root of (50 x 9 + 50 x 16) / 101",
            0.01,
        ),
        _MISSING,
    ),
    against="position",
    needs=POSITION,
)
def track_cross_rms_m(case: Case) -> Value:
    """Return the Cross-track error, RMS [m]."""
    found = compare_tracks(case)
    if isinstance(found, Value):
        return found
    return found.make_value(float(np.sqrt(found.average(found.distance_m**2))))


@metric(
    "track",
    title="Cross-track error, 95th percentile",
    unit="m",
    version=2,
    definition="For 95 % of the time the fixes lie nearer to the reference line than this; errors "
    "along the line do not show",
    formula="weighted 95th percentile of |cross-track distance|",
    better="lower",
    source=_SOURCE,
    examples=(Example(ASIDE, 3.0, "by hand: 3 m aside", 1e-3), _MISSING),
    against="position",
    needs=POSITION,
    level="compared",
)
def track_cross_p95_m(case: Case) -> Value:
    """Return the Cross-track error, 95th percentile [m]."""
    return _take_quantile(case, _P95)


@metric(
    "track",
    title="Cross-track error, maximum",
    unit="m",
    version=2,
    definition="Distance of the fix that is farthest from the reference line; rests on a single "
    "fix, so it grows with the length of the workout",
    formula="max of |cross-track distance|",
    better="lower",
    source=_SOURCE,
    examples=(Example(_BOTH_SIDES, 4.0, "by hand", 1e-3), _MISSING),
    against="position",
    needs=POSITION,
)
def track_cross_max_m(case: Case) -> Value:
    """Return the greatest distance from the line [m]."""
    found = compare_tracks(case)
    if isinstance(found, Value):
        return found
    return found.make_value(float(found.distance_m.max()))


@metric(
    "track",
    title="Side bias",
    unit="m",
    version=2,
    definition="Mean signed distance from the reference line, negative to the left of the "
    "direction of travel, positive to the right; errors of opposite sign cancel, and a constant "
    "shift of a loop does too",
    formula="time-weighted mean of signed cross-track distance",
    better="zero",
    source=_SOURCE,
    examples=(
        Example(ASIDE, -3.0, "by hand: 3 m to the left", 1e-3),
        Example(
            {"test": place_points(EAST_WAY, [-2.0] * 101), "course": LINE, "reference": STRAIGHT},
            2.0,
            "by hand: 2 m to the right",
            1e-3,
        ),
        _MISSING,
    ),
    against="position",
    needs=POSITION,
)
def track_side_bias_m(case: Case) -> Value:
    """Return the side bias [m]."""
    found = compare_tracks(case)
    if isinstance(found, Value):
        return found
    return found.make_value(found.average(found.side_m))


@metric(
    "track",
    title="Time off the line",
    unit="s",
    version=2,
    definition="Time before the reference line is reached and after it is left, which no other "
    "metric uses; being off the line in between counts as error and not here",
    formula="summed time of the fixes before the first and after the last one on the line",
    better="none",
    source="common practice, no source",
    examples=(
        Example(
            {
                "test": place_points([2.0 * second for second in range(-50, 101)], [0.0] * 151),
                "reference": place_points([0.0] * 50 + EAST_WAY, [0.0] * 151),
            },
            50.0,
            "by hand: 50 s on the way to the start of the line",
        ),
        Example(ASIDE, 0.0, "by hand: never off the line"),
        _MISSING,
    ),
    against="position",
    needs=POSITION,
)
def track_off_line_s(case: Case) -> Value:
    """Return the time off the line [s]."""
    reason = explain_no_positions(case)
    if reason is not None:
        return unknown(reason)
    match = get_match(case)
    if match is None:
        return unknown("the reference has no line")
    inside = mark_case(case, match.fixes)
    off = inside & ~match.matched.is_on
    return Value(float(match.fixes.weight_s[off].sum()), n=int(inside.sum()))


def _take_quantile(case: Case, share: float) -> Value:
    found = compare_tracks(case)
    if isinstance(found, Value):
        return found
    return found.make_value(_find_quantile(found, share))


def _find_quantile(found: Deviation, share: float) -> float:
    return compute_weighted_quantile(found.distance_m, found.weight_s, share)
