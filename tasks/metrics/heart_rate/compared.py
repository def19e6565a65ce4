"""The seconds of a case in which heart rates are compared, and honest intervals over them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Value, unknown
from tasks.maths.arrays import NO_INTERVAL, Interval
from tasks.maths.autocorrelation import (
    choose_block_length,
    compute_effective_n,
    compute_lag_one_autocorrelation,
)
from tasks.maths.bootstrap import Scale, compute_moving_block_interval

if TYPE_CHECKING:
    from tasks.case import Case
    from tasks.maths.arrays import FloatArray, IntArray

HEART_RATE: Final = "heart_rate_bpm"
_CONFIDENCE: Final = 0.95


@dataclass(frozen=True)
class Compared:
    """Heart rates in the seconds that count, `(n_compared,)` each [bpm].

    `seconds` are grid indices in order; `shortest_block` is the least block length [s].
    """

    test: FloatArray
    reference: FloatArray
    seconds: IntArray
    n_reference: int
    shortest_block: int

    @cached_property
    def error(self) -> FloatArray:
        """Test minus reference [bpm]."""
        return self.test - self.reference

    @property
    def n(self) -> int:
        """Seconds compared."""
        return self.test.size

    @property
    def coverage(self) -> float | None:
        """Compared seconds / seconds in which the reference had a value."""
        return self.n / self.n_reference if self.n_reference else None

    @cached_property
    def lag_one(self) -> float:
        """Autocorrelation of the error from one second to the next."""
        return compute_lag_one_autocorrelation(self.place(self.error))

    @cached_property
    def effective_n(self) -> float:
        """Independent seconds that the errors are worth for their mean."""
        return compute_effective_n(self.n, self.lag_one)

    def place(self, values: FloatArray) -> FloatArray:
        """Put values of the compared seconds on an even grid from the first to the last one."""
        if not self.seconds.size:
            return np.empty(0)
        first = int(self.seconds[0])
        placed = np.full(int(self.seconds[-1]) - first + 1, np.nan)
        placed[self.seconds - first] = values
        return placed

    def estimate_interval(self, values: FloatArray, *, scale: Scale = "plain") -> Interval:
        """Give the interval of the mean of `values`, one per compared second."""
        placed = self.place(values)
        lag_one = compute_lag_one_autocorrelation(placed)
        length = choose_block_length(placed.size, lag_one, shortest=self.shortest_block)
        return compute_moving_block_interval(
            placed, length=length, lag_one=lag_one, confidence=_CONFIDENCE, scale=scale
        )

    def give(self, value: float, interval: Interval = NO_INTERVAL) -> Value:
        """Wrap a value with its interval, n and coverage."""
        known = bool(np.isfinite(interval.low) and np.isfinite(interval.high))
        low, high = (interval.low, interval.high) if known else (None, None)
        return Value(value, low, high, self.n, self.coverage)

    def decline(self, reason: str) -> Value:
        """Say why there is no value."""
        return unknown(reason, n=self.n, coverage=self.coverage)


def compare_heart_rates(case: Case) -> Compared:
    """Give the compared seconds of a case, found once."""
    return case.once("heart_rate:compared", lambda: _compare(case))


def _compare(case: Case) -> Compared:
    paired = case.paired(HEART_RATE)
    return Compared(
        test=paired.test,
        reference=paired.reference,
        seconds=paired.seconds,
        n_reference=paired.n_reference,
        shortest_block=round(case.settings.heart_rate.block_s),
    )
