"""Heart rate in the water: gaps, and how many of them begin at a push-off."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import Example, Value, metric, unknown
from tasks.maths.runs import find_runs
from tasks.metrics.swimming.compared import COMMON, get_swim_lengths, make_swim

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray
    from tasks.workout.case import Case

_HEART_RATE: Final = "heart_rate_bpm"


def _lose(*gaps: tuple[int, int]) -> dict[str, Any]:
    """Return the inputs of a worked example: four lengths of 30 s, heart rate lost in between."""
    inputs = make_swim((30, 30, 30, 30))
    rate: list[float | None] = list(inputs["test"][_HEART_RATE])
    for start, end in gaps:
        rate[start:end] = [None] * (end - start)
    return inputs | {"test": {_HEART_RATE: rate}}


@metric(
    "swimming",
    title="Heart-rate gaps in the water",
    unit="gaps",
    definition="Stretches of at least hr_gap_s without heart rate while the device recorded; "
    "beats that a strap stored and delivered later count as heart rate",
    formula="number of stretches without heart rate of at least hr_gap_s",
    better="lower",
    source=COMMON,
    examples=(
        Example(_lose((32, 41), (80, 90), (100, 103)), 2.0, "by hand: 3 s are no gap"),
        Example(make_swim((30,)) | {"test": {"speed_mps": [1.0]}}, None, "no heart rate"),
    ),
    needs=(_HEART_RATE,),
)
def swim_hr_gaps(case: Case) -> Value:
    """Return the number of gaps."""
    if not case.test.has(_HEART_RATE):
        return unknown("this recording holds no heart rate")
    starts = _find_gap_starts(case)
    return Value(float(len(starts)), n=int(case.counted.sum()))


@metric(
    "swimming",
    title="Heart-rate gaps after push-offs",
    unit="gaps",
    definition="Gaps in heart rate that begin within push_off_s of the start of a length, where "
    "water is pressed under the sensor; push-offs are those of the device's own lengths, else of "
    "another device's",
    formula="number of gaps that begin 0 to push_off_s after the start of a length",
    better="lower",
    source=COMMON,
    examples=(
        Example(_lose((32, 41), (80, 90)), 1.0, "by hand: 2 s and 20 s after a push-off"),
        Example({"test": {_HEART_RATE: [100.0] * 9}}, None, "no lengths"),
    ),
    needs=(_HEART_RATE,),
)
def swim_hr_gaps_after_pushoff(case: Case) -> Value:
    """Return the number of gaps that begin after a push-off."""
    if not case.test.has(_HEART_RATE):
        return unknown("this recording holds no heart rate")
    push_offs_s = _find_push_offs(case)
    if not push_offs_s.size:
        return unknown("no device of this workout holds pool lengths")
    starts = case.workout.grid.start_s + _find_gap_starts(case)
    last = np.searchsorted(push_offs_s, starts, side="right") - 1
    since_s = np.where(last >= 0, starts - push_offs_s[np.maximum(last, 0)], np.inf)
    after = int(np.count_nonzero(since_s <= case.settings.swimming.push_off_s))
    return Value(float(after), n=len(starts))


def _find_gap_starts(case: Case) -> FloatArray:
    """Return the grid seconds in which a gap begins."""
    lost = np.isnan(case.test.values(_HEART_RATE)) & case.test.covered & case.counted
    gaps = find_runs(lost, shortest=max(round(case.settings.swimming.hr_gap_s), 1))
    return np.array([gap.start for gap in gaps], dtype=np.float64)


def _find_push_offs(case: Case) -> FloatArray:
    """Return starts of the lengths [s]; of the first other device where there are no own ones."""
    own = get_swim_lengths(case, case.test)
    if own.n:
        return own.start_s
    others = sorted(case.others, key=lambda subject: subject.device.id)
    starts = (get_swim_lengths(case, subject).start_s for subject in others)
    return next((found for found in starts if found.size), own.start_s)
