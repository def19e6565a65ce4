"""Repeatability: laps found from the track itself, how long they are and how far apart."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import Example, Value, metric, unknown
from tasks.maths.laps import Laps, find_laps
from tasks.metrics.track.compared import POSITION, place_points
from tasks.workout.tracks import explain_no_positions, get_fixes, mark_jumped

if TYPE_CHECKING:
    from tasks.workout.case import Case

_SOURCE: Final = "common practice, no source"
#: Rounds of a circle of 100 m at one step of 3.6 degrees a second: 100 s a round; the chords of a
#: round are 100 x 2 x 100 sin(1.8 degrees) m.
_ANGLES: Final = [np.pi / 50 * step for step in range(351)]
_ROUND_M: Final = 100 * 2 * 100 * float(np.sin(np.pi / 100))
_ROUNDS: Final[dict[str, Any]] = {
    "test": place_points(
        [100 * float(np.cos(angle)) for angle in _ANGLES],
        [100 * float(np.sin(angle)) for angle in _ANGLES],
    )
}
_ONCE: Final[dict[str, Any]] = {"test": place_points([3.0 * s for s in range(200)], [0.0] * 200)}
_NO_LAPS: Final = "no place was passed three times in one direction at even distances"


@metric(
    "track",
    title="Laps found",
    unit="1",
    version=2,
    definition="Number of whole laps found from the geometry of the track, without lap button; "
    "laps under 150 m, or more than 10 % off the median lap, are not counted",
    formula="passages of the gate that was passed most often, less one",
    better="none",
    source=_SOURCE,
    examples=(
        Example(_ROUNDS, 3.0, "by hand: 3.5 rounds"),
        Example(_ONCE, 0.0, "by hand: a straight way"),
        Example({"test": {"heart_rate_bpm": [100.0]}}, None, "no positions"),
    ),
    needs=POSITION,
    whole_only=True,
)
def track_laps(case: Case) -> Value:
    """Return the number of laps."""
    reason = explain_no_positions(case)
    if reason is not None:
        return unknown(reason)
    laps = get_laps(case)
    count = 0 if laps is None else laps.lengths_m.size
    return Value(float(count), n=get_fixes(case.workout, case.test).n)


@metric(
    "track",
    title="Mean lap",
    unit="m",
    version=2,
    definition="Mean length of the laps along the fixes; includes what noise adds, what sparse "
    "fixes lose and the line that the athlete took",
    formula="mean of the laps' lengths along the fixes, from gate to gate",
    better="none",
    source=_SOURCE,
    examples=(
        Example(_ROUNDS, _ROUND_M, "by hand: a hundred chords", 0.01),
        Example(_ONCE, None, "no laps"),
    ),
    needs=POSITION,
    whole_only=True,
)
def track_lap_mean_m(case: Case) -> Value:
    """Return the mean lap [m]."""
    laps = get_laps(case)
    if laps is None:
        return unknown(_NO_LAPS)
    return Value(float(laps.lengths_m.mean()), n=laps.lengths_m.size)


@metric(
    "track",
    title="Spread of laps",
    unit="m",
    version=2,
    definition="Standard deviation of the lap lengths along the fixes: repeatability of the "
    "device together with how evenly the athlete ran; a constant error does not show",
    formula="SD of the laps' lengths along the fixes, from gate to gate",
    better="lower",
    source=_SOURCE,
    examples=(
        Example(_ROUNDS, 0.0, "by hand: equal rounds", 0.01),
        Example(_ONCE, None, "no laps"),
    ),
    needs=POSITION,
    whole_only=True,
)
def track_lap_spread_m(case: Case) -> Value:
    """Return the spread of laps [m]."""
    laps = get_laps(case)
    if laps is None:
        return unknown(_NO_LAPS)
    return Value(float(laps.lengths_m.std(ddof=1)), n=laps.lengths_m.size)


@metric(
    "track",
    title="Lateral spread of laps",
    unit="m",
    version=2,
    definition="Standard deviation of the laps across their mean line, along the whole lap: how "
    "well laps lie on each other, including differences in the line that the athlete took",
    formula="sqrt(mean over 200 places of the variance of the laps across their mean)",
    better="lower",
    source=_SOURCE,
    examples=(
        Example(_ROUNDS, 0.0, "by hand: equal rounds", 0.05),
        Example(_ONCE, None, "no laps"),
    ),
    needs=POSITION,
    whole_only=True,
)
def track_lap_lateral_m(case: Case) -> Value:
    """Return the lateral spread of laps [m]."""
    laps = get_laps(case)
    if laps is None:
        return unknown(_NO_LAPS)
    return Value(laps.lateral_sd_m, n=laps.lengths_m.size)


def get_laps(case: Case) -> Laps | None:
    """Return the laps of the test recording, found once."""
    if explain_no_positions(case) is not None:
        return None
    key = f"track:laps:{case.test.recording_id}"
    return case.once_per_workout(key, lambda: _find(case))


def _find(case: Case) -> Laps | None:
    fixes = get_fixes(case.workout, case.test)
    kept = ~mark_jumped(case.workout, case.test)
    if kept.sum() < 3:  # noqa: PLR2004 - a lap needs a turn
        return None
    return find_laps(fixes.east_m[kept], fixes.north_m[kept])
