"""Steps in the heights that nobody climbs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Finding, Value, finding, metric, unknown
from tasks.maths.elevation import find_steps
from tasks.metrics.elevation.heights import ALTITUDE, NO_HEIGHT, SOURCE
from tasks.tables.arrow import read_floats, read_seconds

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray
    from tasks.workout.case import Case

_JUMPING: Final = {"test": {ALTITUDE: [100.0] * 30 + [130.0] * 30}}


@metric(
    "elevation",
    title="Jumps in height",
    unit="1",
    version=3,
    definition="Number of steps between two heights that nobody climbs in the time, more than 5 m "
    "and 8 m/s, and than six times the scatter of the device's steps; they are taken out of the "
    "ascent. In heights that scatter by more than 2 m from second to second a smaller step does "
    "not show",
    formula="steps of |height - height before| > max(5 m + 8 m/s * time between, 6 * 1.4826 * "
    "median step), the latter from 30 steps",
    better="lower",
    source=SOURCE,
    examples=(
        Example(_JUMPING, 1.0, "by hand: 30 m in a second"),
        Example({"test": {ALTITUDE: [100.0, 101.0, 102.0]}}, 0.0, "none"),
        NO_HEIGHT,
    ),
    needs=(ALTITUDE,),
    whole_only=True,
)
def altitude_jumps(case: Case) -> Value:
    """Return the number of jumps."""
    seconds, heights = _read(case)
    if not heights.size:
        return unknown("this recording holds no heights")
    return Value(float(find_steps(seconds, heights).sum()), n=heights.size)


@finding(
    "altitude_jump",
    domain="elevation",
    title="Jump in height",
    unit="m",
    version=2,
    definition="A step between two heights that nobody climbs in the time, and that stands out "
    "among the device's steps; the size is its height",
    source=SOURCE,
    needs=(ALTITUDE,),
)
def find_altitude_jumps(case: Case) -> list[Finding]:
    """Return the jumps."""
    seconds, heights = _read(case)
    if not heights.size:
        return []
    at = np.flatnonzero(find_steps(seconds, heights))
    return [
        Finding(float(seconds[k]), float(seconds[k + 1]), float(heights[k + 1] - heights[k]))
        for k in at.tolist()
    ]


def _read(case: Case) -> tuple[FloatArray, FloatArray]:
    """Return times on the workout's clock and heights of the samples that have one."""
    samples = case.test.recording.samples
    heights = read_floats(samples, ALTITUDE)
    seconds = read_seconds(samples) + case.test.alignment.offset_s
    known = np.isfinite(heights)
    return seconds[known], heights[known]
