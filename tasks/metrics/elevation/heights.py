"""What the metrics of height share: the channel, counts and worked heights."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Value

if TYPE_CHECKING:
    from tasks.workout.case import Case

ALTITUDE: Final = "altitude_m"
SOURCE: Final = "common practice, no source"
PERCENT: Final = 100.0
#: A difference of heights has two of them.
FEWEST: Final = 2

NO_HEIGHT: Final = Example(
    {"test": {"heart_rate_bpm": [100.0]}, "reference": {"heart_rate_bpm": [100.0]}},
    None,
    "no heights",
)


def count_heights(case: Case) -> int:
    """Return the seconds of the case with a height."""
    return int((case.counted & np.isfinite(case.test.values(ALTITUDE))).sum())


def give_compared(case: Case, value: float) -> Value:
    """Wrap a value with the seconds in which both have a height."""
    paired = case.paired(ALTITUDE)
    return Value(value, n=paired.n, coverage=paired.coverage)
