"""Pauses that a device took while the athlete went on: what they cost in time and distance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Finding, Value, finding, metric, unknown
from tasks.maths.runs import Run, find_runs
from tasks.maths.smoothing import compute_running_mean
from tasks.workout.ground_speed import get_others_speed

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray
    from tasks.workout.case import Case

#: Smoothed speed of the others above which the athlete moves [m/s], over this window [s], and the
#: shortest time of it that counts: a slow walk. Common practice, no source.
_MOVING_MPS: Final = 1.0
_SMOOTH_S: Final = 5
_SHORTEST_S: Final = 10
_SOURCE: Final = "common practice, no source"
_RUN: Final = {"speed_mps": [3.0] * 100}
_PAUSED: Final = {
    "test": {"speed_mps": [3.0] * 40 + [None] * 30 + [3.0] * 30},
    "paused": [False] * 40 + [True] * 30 + [False] * 30,
    "others": (_RUN,),
}
_RESTED: Final = {
    **_PAUSED,
    "others": ({"speed_mps": [3.0] * 40 + [0.0] * 30 + [3.0] * 30},),
}


@dataclass(frozen=True)
class FalsePause:
    """A stretch in which the test paused and the others moved, and how far they went [m]."""

    run: Run
    distance_m: float


@metric(
    "distance",
    title="Paused while moving",
    unit="s",
    definition="Time in which the device had paused, by itself or by hand, while the other devices "
    "moved; a pause that the athlete wanted while walking on counts as well",
    formula=f"seconds of pauses in which the median speed of the others, over {_SMOOTH_S} s, is "
    f"above {_MOVING_MPS:g} m/s for at least {_SHORTEST_S} s",
    better="lower",
    source=_SOURCE,
    examples=(
        Example(_PAUSED, 30.0, "by hand: the others went on for all 30 s"),
        Example(_RESTED, 0.0, "by hand: the others stood, too"),
        Example({"test": {"speed_mps": [3.0] * 20}}, None, "nobody else was there"),
    ),
    whole_only=True,
)
def pause_moving_s(case: Case) -> Value:
    """Return the time paused while the others moved [s]."""
    found = find_false_pauses(case)
    if found is None:
        return unknown("no other device says how fast the athlete moved")
    return Value(float(sum(pause.run.length for pause in found)), n=int(case.test.covered.sum()))


@metric(
    "distance",
    title="Distance lost in pauses",
    unit="m",
    definition="Distance that the other devices covered while this one had paused",
    formula="summed median speed of the others over the seconds of pause_moving_s",
    better="lower",
    source=_SOURCE,
    examples=(
        Example(_PAUSED, 90.0, "by hand: 30 s at 3 m/s"),
        Example(_RESTED, 0.0, "by hand: the others stood, too"),
        Example({"test": {"speed_mps": [3.0] * 20}}, None, "nobody else was there"),
    ),
    whole_only=True,
)
def pause_moving_m(case: Case) -> Value:
    """Return the distance that the others covered meanwhile [m]."""
    found = find_false_pauses(case)
    if found is None:
        return unknown("no other device says how fast the athlete moved")
    return Value(sum(pause.distance_m for pause in found), n=int(case.test.covered.sum()))


@finding(
    "false_pause",
    domain="distance",
    title="Paused while moving",
    unit="s",
    definition="The device had paused while the other devices moved; the size is how long",
    source=_SOURCE,
)
def find_moving_pauses(case: Case) -> list[Finding]:
    """Return the pauses in which the others moved."""
    start_s = case.workout.grid.start_s
    return [
        Finding(
            start_s + pause.run.start,
            start_s + pause.run.end,
            float(pause.run.length),
            f"the others went {pause.distance_m:.0f} m",
        )
        for pause in find_false_pauses(case) or ()
    ]


def find_false_pauses(case: Case) -> tuple[FalsePause, ...] | None:
    """Return the pauses in which the others moved; None where no other device knows a speed."""
    key = f"distance:false-pauses:{case.test.recording_id}"
    return case.once_per_workout(key, lambda: _find_false_pauses(case))


def _find_false_pauses(case: Case) -> tuple[FalsePause, ...] | None:
    speed = get_others_speed(case)
    if speed is None:
        return None
    smooth = compute_running_mean(speed, width=_SMOOTH_S)
    moving: BoolArray = case.test.paused & case.test.covered & (np.nan_to_num(smooth) > _MOVING_MPS)
    return tuple(
        FalsePause(run, float(np.nansum(speed[run.start : run.end])))
        for run in find_runs(moving)
        if run.length >= _SHORTEST_S
    )
