"""Whether there is a heart rate at all: coverage, first value, gaps."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Value, metric, unknown
from tasks.maths.runs import find_longest_gap
from tasks.metrics.heart_rate.compared import compare_heart_rates
from tasks.metrics.heart_rate.reference import HEART_RATE, get_reference_rate
from tasks.tables.arrow import read_floats, read_seconds

if TYPE_CHECKING:
    from tasks.workout.case import Case

_PERCENT: Final = 100.0
_NO_VALUE: Final = "this recording holds no heart rate"


@metric(
    "heart_rate",
    title="Coverage",
    unit="%",
    definition="Share of the seconds with a reference heart rate, inside the device's own "
    "recording and outside its pauses, in which the device gave one too; does not say whether it "
    "was right",
    formula="100 compared seconds / seconds of the device's recording in which the reference had "
    "a value",
    better="higher",
    source="data availability, required by Muehlen et al. 2021, BJSM 55:767 (INTERLIVE)",
    examples=(
        Example(
            {
                "test": {HEART_RATE: [100, None, None, 100, 100]},
                "reference": {HEART_RATE: [100, 100, 100, 100, None]},
            },
            50.0,
            "by hand: 2 of 4",
        ),
        Example(
            {"test": {HEART_RATE: [100]}, "reference": {HEART_RATE: [None]}},
            None,
            "no reference value",
        ),
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    minimum_n=0,
    version=2,
)
def hr_coverage_pct(case: Case) -> Value:
    """Return the share of reference seconds that have a heart rate [%]."""
    compared = compare_heart_rates(case)
    rate = get_reference_rate(case)
    known = (
        np.zeros(case.counted.size, dtype=np.bool_) if rate is None else np.isfinite(rate.values)
    )
    expected = int((known & case.counted & case.test.covered).sum())
    if not expected:
        return compared.decline("the reference has no heart rate in these seconds")
    return compared.make_value(_PERCENT * compared.n / expected)


@metric(
    "heart_rate",
    title="First heart rate",
    unit="s",
    definition="Time from the first sample of the recording to its first heart rate, right or "
    "wrong",
    formula="time of first heart rate - time of first sample",
    better="lower",
    source="common practice, no source",
    examples=(
        Example({"test": {HEART_RATE: [None, None, 90, None, 91]}}, 2.0, "by hand: third second"),
        Example(
            {
                "test": {HEART_RATE: [90]},
                "samples": {
                    HEART_RATE: [np.nan, 90.0],
                    "time_utc": [1_750_000_000_000_000, 1_750_000_007_500_000],
                },
            },
            7.5,
            "by hand: native samples count, not the grid",
        ),
        Example({"test": {HEART_RATE: [None, None]}}, None, "no heart rate at all"),
    ),
    whole_only=True,
)
def hr_first_value_s(case: Case) -> Value:
    """Return the time to the first heart rate [s]."""
    samples = case.test.recording.samples
    present = np.flatnonzero(np.isfinite(read_floats(samples, HEART_RATE)))
    if not present.size:
        return _find_first_of_beats(case)
    seconds = read_seconds(samples)
    return Value(float(seconds[present[0]] - seconds.min()), n=int(present.size))


def _find_first_of_beats(case: Case) -> Value:
    """Return the same to the second where only the beats hold a heart rate."""
    present = np.flatnonzero(np.isfinite(case.test.values(HEART_RATE)))
    recorded = np.flatnonzero(case.test.covered)
    if not present.size or not recorded.size:
        return unknown(_NO_VALUE)
    return Value(float(max(present[0] - recorded[0], 0)), n=int(present.size))


@metric(
    "heart_rate",
    title="Longest gap in heart rate",
    unit="s",
    definition="Longest time without heart rate between the first and the last sample of the "
    "recording, without pauses; gaps short enough to be interpolated do not count",
    formula="most consecutive grid seconds without heart rate",
    better="lower",
    source="common practice, no source",
    examples=(
        Example({"test": {HEART_RATE: [90, None, 90, None, None, 90]}}, 2.0, "by hand"),
        Example({"test": {HEART_RATE: [90, 91]}}, 0.0, "by hand: none is missing"),
    ),
)
def hr_longest_gap_s(case: Case) -> Value:
    """Return the longest gap [s]."""
    test = case.test
    expected = case.segment.mask & test.covered & ~test.paused
    values = test.values(HEART_RATE)
    if not np.isfinite(values).any():
        return unknown(_NO_VALUE, n=int(expected.sum()))
    gap = find_longest_gap(~expected | np.isfinite(values))
    return Value(float(gap), n=int(expected.sum()))
