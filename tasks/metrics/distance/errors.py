"""Errors of distance, and what sparse fixes lose of it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import Example, Value, metric, unknown
from tasks.maths.smoothing import fit_local_lines
from tasks.metrics.distance.lengths import compare_own, compare_summed
from tasks.workout.tracks import explain_no_positions, get_match, mark_case

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray, IntArray
    from tasks.workout.case import Case
    from tasks.workout.tracks import TrackMatch

POSITION: Final = ("latitude_deg", "longitude_deg")
_SOURCE: Final = "common practice, no source"
_PERCENT: Final = 100.0
_SLIP_S: Final = 5.0
#: Arc of the equator on WGS 84 for a thousandth of a degree [m]: 6378137 pi / 180 / 1000.
_STEP_M: Final = 6378137.0 * float(np.pi) / 180.0 / 1000.0
_ALONG_EQUATOR: Final = [0.001 * step for step in range(5)]
_ON_COURSE: Final[dict[str, Any]] = {
    "test": {
        "latitude_deg": [0.0] * 5,
        "longitude_deg": _ALONG_EQUATOR,
        "distance_m": [0.0, 100.0, 200.0, 300.0, 400.0],
    },
    "reference": {"distance_m": [0.0, 110.0, 220.0, 330.0, 440.0]},
}
_TWO_SIDES: Final[dict[str, Any]] = {
    "test": {"distance_m": [0.0, 10.0, 20.0]},
    "reference": {"distance_m": [0.0, 9.0, 16.0]},
}
_NONE: Final = Example(
    {"test": {"distance_m": [0.0, 10.0]}, "reference": {"heart_rate_bpm": [1.0, 1.0]}},
    None,
    "the reference has no distance",
)

# Check values of chord loss: a bend of 36.8 m radius at 4 m/s, a fix every 7 s: 2.39 % of the way.
_RADIUS_M: Final = 36.8
_RADIANS_PER_S: Final = 4.0 / _RADIUS_M
_EAST_M: Final = 111_319.490_793
_NORTH_M: Final = 110_574.275_821
_BEND: Final = [second * _RADIANS_PER_S for second in range(50)]


def _place_bend(every: int) -> dict[str, list[float | None]]:
    """Return positions on the bend, one every so many seconds."""
    return {
        "latitude_deg": [
            None if second % every else _RADIUS_M * float(np.sin(angle)) / _NORTH_M
            for second, angle in enumerate(_BEND)
        ],
        "longitude_deg": [
            None if second % every else _RADIUS_M * float(np.cos(angle)) / _EAST_M
            for second, angle in enumerate(_BEND)
        ],
    }


_SPARSE: Final[dict[str, Any]] = {"test": _place_bend(7), "reference": _place_bend(1)}
#: 49 s at 4 m/s; the reference's own chords of a second are 0.05 % short as well.
_LOST_M: Final = 49 * 4.0 * (0.0239 - 0.0005)


@metric(
    "distance",
    title="Distance error",
    unit="m",
    version=3,
    definition="Own distance minus the reference's: over the whole recording for the truth in the "
    "notes, between the first and last fix on it for a course, over the time that both recorded "
    "for a device; distance during a pause of either is in neither, and errors of opposite sign "
    "cancel",
    formula="own distance - reference distance",
    better="zero",
    source=_SOURCE,
    examples=(Example(_TWO_SIDES, 4.0, "by hand: 20 - 16"), _NONE),
    against="distance",
)
def distance_error_m(case: Case) -> Value:
    """Return the error of the own distance [m]."""
    found = compare_own(case)
    return found if isinstance(found, Value) else found.make_value(found.error_m)


@metric(
    "distance",
    title="Distance error in percent",
    unit="%",
    version=3,
    definition="Distance error in percent of the reference's distance; the same percentage is a "
    "small error over a short distance and a large one over a long distance",
    formula="100 * (own distance - reference distance) / reference distance",
    better="zero",
    source=_SOURCE,
    examples=(Example(_TWO_SIDES, 25.0, "by hand: 4 of 16"), _NONE),
    against="distance",
    level="primary",
)
def distance_error_pct(case: Case) -> Value:
    """Return the error of the own distance [%]."""
    found = compare_own(case)
    if isinstance(found, Value):
        return found
    if found.reference_m <= 0.0:
        return unknown("the reference distance is zero", n=found.n)
    return found.make_value(_PERCENT * found.error_m / found.reference_m)


@metric(
    "distance",
    title="Error of the summed distance",
    unit="m",
    version=3,
    definition="Sum of the fixes minus the reference's distance: noise makes it too long, sparse "
    "fixes and smoothing too short, and these errors cancel",
    formula="sum of geodesics between fixes - reference distance",
    better="zero",
    source="Ranacher et al. 2016, Why GPS makes distances bigger than they are, IJGIS 30:316",
    examples=(
        Example(_ON_COURSE, 4 * _STEP_M - 440.0, "by hand: arcs of the equator", 1e-6),
        _NONE,
    ),
    against="distance",
    needs=POSITION,
)
def distance_summed_error_m(case: Case) -> Value:
    """Return the error of the summed distance [m]."""
    found = compare_summed(case)
    return found if isinstance(found, Value) else found.make_value(found.error_m)


@metric(
    "distance",
    title="Error of the summed distance in percent",
    unit="%",
    version=3,
    definition="Error of the sum of the fixes in percent of the reference's distance; noise and "
    "sparse fixes cancel in it",
    formula="100 * (sum of geodesics between fixes - reference distance) / reference distance",
    better="zero",
    source="Ranacher et al. 2016, Why GPS makes distances bigger than they are, IJGIS 30:316",
    examples=(
        Example(
            _ON_COURSE,
            100 * (4 * _STEP_M - 440.0) / 440.0,
            "by hand: arcs of the equator",
            1e-6,
        ),
        _NONE,
    ),
    against="distance",
    needs=POSITION,
)
def distance_summed_error_pct(case: Case) -> Value:
    """Return the error of the summed distance [%]."""
    found = compare_summed(case)
    if isinstance(found, Value):
        return found
    if found.reference_m <= 0.0:
        return unknown("the reference distance is zero", n=found.n)
    return found.make_value(_PERCENT * found.error_m / found.reference_m)


@metric(
    "distance",
    title="Chord loss",
    unit="m",
    version=2,
    definition="Distance along the reference line that straight legs between fixes cut off: what "
    "sparse recording alone loses, so that devices with different recording intervals can be "
    "compared; an estimate, as good as the line",
    formula="sum over legs of (distance along the line - straight distance between both places)",
    better="lower",
    source="geometry: chord / arc = 2 R sin(s / 2R) / s",
    examples=(
        Example(_SPARSE, _LOST_M, "chord / arc on 36.8 m at 4 m/s: 2.39 % at 7 s", 0.15),
        Example({**_SPARSE, "test": _place_bend(1)}, 0.0, "by hand: a fix at every point", 0.01),
        Example(
            {"test": {"heart_rate_bpm": [1.0]}, "reference": {"heart_rate_bpm": [1.0]}},
            None,
            "no positions",
        ),
    ),
    against="position",
    needs=POSITION,
)
def distance_chord_loss_m(case: Case) -> Value:
    """Return the chord loss [m]."""
    found = _sum_chords(case)
    return found if isinstance(found, Value) else Value(max(0.0, found[0] - found[1]), n=found[2])


@metric(
    "distance",
    title="Chord loss in percent",
    unit="%",
    version=2,
    definition="Chord loss in percent of the distance along the reference line: what sparse "
    "recording alone loses",
    formula="100 * chord loss / distance along the line",
    better="lower",
    source="geometry: chord / arc = 2 R sin(s / 2R) / s",
    examples=(
        Example(_SPARSE, 2.39 - 0.05, "chord / arc on 36.8 m at 4 m/s: 2.39 % at 7 s", 0.08),
        Example(
            {"test": {"heart_rate_bpm": [1.0]}, "reference": {"heart_rate_bpm": [1.0]}},
            None,
            "no positions",
        ),
    ),
    against="position",
    needs=POSITION,
)
def distance_chord_loss_pct(case: Case) -> Value:
    """Return the chord loss [%]."""
    found = _sum_chords(case)
    if isinstance(found, Value):
        return found
    arcs, chords, n = found
    if arcs <= 0:
        return unknown("the test stays at one place of the reference line", n=n)
    return Value(_PERCENT * max(0.0, arcs - chords) / arcs, n=n)


def _sum_chords(case: Case) -> tuple[float, float, int] | Value:
    """Return summed arcs and chords between the places of fixes on the line, and their number."""
    reason = explain_no_positions(case)
    if reason is not None:
        return unknown(reason)
    match = get_match(case)
    if match is None:
        return unknown("the reference has no line")
    chosen = np.flatnonzero(mark_case(case, match.fixes) & match.is_scored)
    along = _place_fixes(match, chosen)
    arcs = np.diff(along)
    # Fixes that scatter back along the line hold no way between them.
    forward = (arcs > 0) & (np.diff(match.fixes.piece[chosen]) == 0)
    if not forward.any():
        return unknown("the test does not move along the reference line", n=int(chosen.size))
    east, north = match.line.locate(along)
    chords = np.hypot(np.diff(east), np.diff(north))
    return float(arcs[forward].sum()), float(chords[forward].sum()), int(chosen.size)


def _place_fixes(match: TrackMatch, chosen: IntArray) -> FloatArray:
    """Return where the reference was when the fixes were taken, as a way along its line.

    From its times where it has some; else the places that the fixes were matched to, each
    replaced by the straight line in time through the fixes within five seconds of it: a noisy fix
    slips along the line, and the slips are no chords.
    """
    seconds = match.fixes.seconds[chosen]
    if match.line.seconds is not None and match.by_time:
        return np.interp(seconds, match.line.seconds, match.line.along_m).astype(np.float64)
    return fit_local_lines(seconds, match.matched.along_m[chosen], half_width=_SLIP_S)
