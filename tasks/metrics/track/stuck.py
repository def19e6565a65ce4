"""Positions that stand still while the athlete moves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import Example, Finding, Value, finding, metric, unknown
from tasks.metrics.track.compared import EAST_WAY, POSITION, place_points
from tasks.workout.ground_speed import get_others_speed
from tasks.workout.tracks import explain_no_positions, get_fixes, mark_case

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray
    from tasks.workout.case import Case
    from tasks.workout.tracks import Fixes

_SOURCE: Final = "common practice, no source"
#: Fixes nearer than this are one place [m]; formats cut positions at about a centimetre.
_SAME_PLACE_M: Final = 0.05
_FEWEST_FIXES: Final = 2
#: Share of a stretch in which the athlete must move, and the speed of others that is moving [m/s].
_MOST: Final = 0.5
_OTHERS_MPS: Final = 1.0
#: Twenty seconds at one place while the device's own speed is 2 m/s.
_STUCK: Final[dict[str, Any]] = {
    "test": {
        **place_points(EAST_WAY[:40] + [EAST_WAY[40]] * 20 + EAST_WAY[60:], [0.0] * 101),
        "speed_mps": [2.0] * 101,
    }
}
_MOVING: Final[dict[str, Any]] = {"test": place_points(EAST_WAY, [0.0] * 101)}
_STILL: Final = Example({"test": {"heart_rate_bpm": [100.0]}}, None, "no positions")


@dataclass(frozen=True)
class Stuck:
    """A stretch at one place: its first fix, when the first fix elsewhere came, how long [s]."""

    first: int
    end_s: float
    length_s: float


@metric(
    "track",
    title="Time with a stuck position",
    unit="s",
    definition="Time in which the position does not change although the device's own speed or "
    "distance, or the speed of the other devices, says that it moves; without these a stuck fix "
    "looks like a rest",
    formula="summed stretches of at least 10 s at one place while in most of them the own speed is "
    "over 0.5 m/s and the own counter, if there is one, grows as fast, or the median speed of the "
    f"others is over {_OTHERS_MPS:g} m/s",
    better="lower",
    source=_SOURCE,
    examples=(
        Example(_STUCK, 20.0, "by hand: from second 40 to the first fix elsewhere at 60"),
        Example(_MOVING, None, "neither speed nor distance"),
        _STILL,
    ),
    needs=POSITION,
    version=2,
)
def track_stuck_s(case: Case) -> Value:
    """Return the time with a stuck position [s]."""
    found = take_fixes(case)
    if isinstance(found, Value):
        return found
    stuck = find_stuck(case)
    if stuck is None:
        return unknown("neither speed nor distance was recorded to tell a rest from a stuck fix")
    inside = mark_case(case, found)
    total = sum(one.length_s for one in stuck if inside[one.first])
    return Value(float(total), n=int(inside.sum()))


@finding(
    "stuck_position",
    domain="track",
    title="Stuck position",
    unit="s",
    definition="The position does not change for at least stuck_s although the device's own speed "
    "or distance, or the speed of the other devices, says that it moves; the size is how long",
    source=_SOURCE,
    needs=POSITION,
)
def find_stuck_positions(case: Case) -> list[Finding]:
    """Return the stuck positions of the test recording."""
    if explain_no_positions(case) is not None:
        return []
    fixes = get_fixes(case.workout, case.test)
    return [
        Finding(
            float(fixes.seconds[one.first]),
            one.end_s,
            one.length_s,
            "",
            float(fixes.latitude_deg[one.first]),
            float(fixes.longitude_deg[one.first]),
        )
        for one in find_stuck(case) or ()
    ]


def take_fixes(case: Case) -> Fixes | Value:
    """Return the fixes of the test, or why there are none."""
    reason = explain_no_positions(case)
    if reason is not None:
        return unknown(reason)
    fixes = get_fixes(case.workout, case.test)
    return fixes if fixes.n else unknown("this recording holds no positions")


def find_stuck(case: Case) -> tuple[Stuck, ...] | None:
    """Return the stuck positions of the test; None where nothing says whether it moves."""
    key = f"track:stuck:{case.test.recording_id}"
    return case.once_per_workout(key, lambda: _find_stuck(case))


def _find_stuck(case: Case) -> tuple[Stuck, ...] | None:
    fixes = get_fixes(case.workout, case.test)
    moving = _mark_moving(case)
    if moving is None or not fixes.n:
        return None
    step = np.hypot(np.diff(fixes.east_m), np.diff(fixes.north_m))
    same = (step < _SAME_PLACE_M) & (np.diff(fixes.piece) == 0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], same.astype(np.int8), [0]])))
    found = []
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        # The fix after the last one at this place ends the stretch, unless a pause lies between.
        is_next = last + 1 < fixes.n and fixes.piece[last + 1] == fixes.piece[last]
        end_s = float(fixes.seconds[last + 1 if is_next else last])
        lasted = end_s - float(fixes.seconds[first])
        span = slice(int(fixes.second[first]), int(fixes.second[last]) + 1)
        if (
            lasted >= case.settings.position.stuck_s
            and moving[span].mean() > _MOST
            and not _has_counter_stood(case, span)
        ):
            found.append(Stuck(first, end_s, lasted))
    return tuple(found)


def _has_counter_stood(case: Case, span: slice) -> bool:
    """Say whether the own counter stands, too: speeds are often smoothed and fall late."""
    counter = case.test.values("distance_m")[span]
    known = np.flatnonzero(np.isfinite(counter))
    if known.size < _FEWEST_FIXES:
        return False
    grown_m = float(counter[known[-1]] - counter[known[0]])
    is_slow = grown_m < case.settings.position.moving_mps * float(known[-1] - known[0])
    return is_slow and not _do_others_move(case, span)


def _do_others_move(case: Case, span: slice) -> bool:
    others = get_others_speed(case)
    return others is not None and bool(np.mean(np.nan_to_num(others[span]) >= _OTHERS_MPS) > _MOST)


def _mark_moving(case: Case) -> BoolArray | None:
    """Mark the seconds in which the own speed, else the own distance, or the others say it moves.

    A speed that is made of the positions stands still with them: the others tell.
    """
    others = get_others_speed(case)
    by_others = None if others is None else np.nan_to_num(others) >= _OTHERS_MPS
    if case.test.has("speed_mps"):
        speed = case.test.values("speed_mps")
    elif case.test.has("distance_m"):
        distance = case.test.values("distance_m")
        speed = np.full(distance.size, np.nan)
        if distance.size > _FEWEST_FIXES:
            speed[1:-1] = (distance[2:] - distance[:-2]) / 2
    else:
        return by_others
    moving: BoolArray = np.nan_to_num(speed) >= case.settings.position.moving_mps
    return moving if by_others is None else moving | by_others
