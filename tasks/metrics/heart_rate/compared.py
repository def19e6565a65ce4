"""The seconds of a case in which heart rates are compared, and honest intervals over them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Value, unknown
from tasks.maths.arrays import NAN, NO_INTERVAL, Interval
from tasks.maths.autocorrelation import (
    choose_block_length,
    compute_effective_n_with_gaps,
    compute_lag_one_autocorrelation,
    estimate_persistence,
)
from tasks.maths.bootstrap import (
    MeanError,
    compute_block_correlation,
    compute_moving_block_error,
)
from tasks.maths.intervals import Scale, spread_interval
from tasks.metrics.heart_rate.reference import HEART_RATE, get_reference_rate
from tasks.workout.case import pair_scored
from tasks.workout.scored import DRY_START, FROZEN, SPIKE, score_seconds

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray, FloatArray, IntArray
    from tasks.workout.case import Case
    from tasks.workout.scored import Scored

_CONFIDENCE: Final = 0.95

NOTHING: Final = "there is no second in which both have a heart rate"
TOO_FEW: Final = "fewer than two seconds can be compared"


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
    def rho(self) -> float:
        """Share of its deviation that the error keeps from one second to the next."""
        return estimate_persistence(self.place(self.error))

    @cached_property
    def effective_n(self) -> float:
        """Independent seconds that the errors are worth for their mean."""
        present = np.isfinite(self.place(self.error))
        return compute_effective_n_with_gaps(present, self.rho)

    @cached_property
    def block(self) -> int:
        """Length of the blocks of all intervals [s], chosen by the memory of the error."""
        span = int(self.seconds[-1] - self.seconds[0]) + 1 if self.n else 0
        return choose_block_length(span, self.rho, shortest=self.shortest_block)

    def place(self, values: FloatArray) -> FloatArray:
        """Put values of the compared seconds on an even grid from the first to the last one."""
        if not self.seconds.size:
            return np.empty(0)
        first = int(self.seconds[0])
        placed = np.full(int(self.seconds[-1]) - first + 1, np.nan)
        placed[self.seconds - first] = values
        return placed

    def estimate_error(self, values: FloatArray, *, own_memory: bool = False) -> MeanError:
        """Return the standard error of the mean of `values`, one per compared second.

        All figures share the blocks of the error. What blocks miss is put right by the memory of
        the error too, which is at least that of its size or square; marks of seconds forget so
        much sooner that they take their own.
        """
        placed = self.place(values)
        lag_one = compute_lag_one_autocorrelation(placed) if own_memory else self.rho
        return compute_moving_block_error(placed, length=self.block, lag_one=lag_one)

    def estimate_interval(self, values: FloatArray, *, scale: Scale = "plain") -> Interval:
        """Return the interval of the mean of `values`, one per compared second."""
        error = self.estimate_error(values)
        return spread_interval(
            error.mean, error.compute_half_width(confidence=_CONFIDENCE), scale=scale
        )

    def correlate(self, first: FloatArray, second: FloatArray) -> float:
        """Return the correlation of the means of two series, one value per compared second."""
        return compute_block_correlation(self.place(first), self.place(second), length=self.block)

    def give(self, value: float, interval: Interval = NO_INTERVAL) -> Value:
        """Wrap a value with its interval, n and coverage."""
        return Value(value, *interval.ends, self.n, self.coverage)

    def decline(self, reason: str) -> Value:
        """Say why there is no value."""
        return unknown(reason, n=self.n, coverage=self.coverage)


def compare_heart_rates(case: Case) -> Compared:
    """Return the compared seconds of a case, found once."""
    return case.once("heart_rate:compared", lambda: _compare(case))


def _compare(case: Case) -> Compared:
    paired = pair_scored(score_heart_rate(case), case.segment.mask)
    return Compared(
        test=paired.test,
        reference=paired.reference,
        seconds=paired.seconds,
        n_reference=paired.n_reference,
        shortest_block=round(case.settings.heart_rate.block_s),
    )


def score_heart_rate(case: Case) -> Scored:
    """Return both sides of the whole comparison, and which seconds count, whatever the segment."""
    key = f"heart_rate:scored:{name_comparison(case)}"
    return case.once_per_workout(key, lambda: _score(case))


def _score(case: Case) -> Scored:
    rate = get_reference_rate(case)
    if rate is None:
        return case.score(HEART_RATE)
    return score_seconds(
        case.test.values(HEART_RATE),
        rate.recorded,
        paused=case.paused,
        flaws={FROZEN: rate.frozen, SPIKE: rate.spikes, DRY_START: rate.dry},
    )


@dataclass(frozen=True)
class Series:
    """Heart rates of the whole grid, `(n_seconds,)`, NaN where missing or not counted [bpm].

    `counted` marks the seconds in which neither side paused.
    """

    test: FloatArray
    reference: FloatArray
    counted: BoolArray

    @cached_property
    def error(self) -> FloatArray:
        """Test minus reference [bpm]."""
        error: FloatArray = self.test - self.reference
        return error


def name_comparison(case: Case) -> str:
    """Return a key for what is kept once per workout, test and reference."""
    reference = case.reference
    whose = "" if reference is None else reference.name
    if reference is not None and reference.subject is not None:
        whose = reference.subject.recording_id
    return f"{case.test.recording_id}:{whose}"


def get_series(case: Case) -> Series:
    """Return the heart rates of the whole comparison, whatever the case's segment."""
    key = f"heart_rate:series:{name_comparison(case)}"
    return case.once_per_workout(key, lambda: _get_series(case))


def _get_series(case: Case) -> Series:
    scored = score_heart_rate(case)
    counted = ~case.paused
    return Series(
        test=np.where(counted, scored.test, NAN),
        reference=np.where(scored.has_reference, scored.reference, NAN),
        counted=counted,
    )
