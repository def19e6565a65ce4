"""The seconds of a case in which heart rates are compared, and honest intervals over them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Finding, Value, unknown
from tasks.maths.arrays import NAN
from tasks.maths.autocorrelation import (
    choose_block_length,
    compute_effective_n_with_gaps,
    estimate_persistence,
)
from tasks.maths.long_run import (
    NOT_SOUGHT,
    LongRun,
    estimate_mean,
    estimate_share,
)
from tasks.metrics.heart_rate.reference import HEART_RATE, get_reference_rate
from tasks.workout.case import pair_scored
from tasks.workout.scored import DRY_START, FROZEN, SPIKE, score_seconds

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from tasks.maths.arrays import BoolArray, FloatArray, IntArray
    from tasks.maths.runs import Run
    from tasks.workout.case import Case
    from tasks.workout.scored import Scored

NOTHING: Final = "there is no second in which both have a heart rate"
#: Part of the definitions of figures that are made of squared errors.
NO_INTERVAL_OF_SQUARES: Final = (
    "it has no interval, since with skewed errors none contains the truth as often as it says"
)
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
        """Time after which the error has forgotten what it was [s]."""
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

    @cached_property
    def both_errors(self) -> tuple[FloatArray, FloatArray]:
        """Return signed errors and their sizes: both must show what they do in the long run."""
        return self.error, np.abs(self.error)

    def estimate_mean(self, values: FloatArray, *, least: float = -np.inf) -> LongRun:
        """Return the interval of the long-run mean of `values`, one per compared second.

        `least` is the least that the mean can be.
        """
        return estimate_mean(values, least=least, beside=self.both_errors)

    def estimate_share(self, marked: BoolArray) -> LongRun:
        """Return the interval of the long-run share of marked seconds, within 0 and 1."""
        return estimate_share(marked.astype(np.float64), beside=self.both_errors)

    def make_value(self, value: float, found: LongRun = NOT_SOUGHT) -> Value:
        """Wrap a value with its interval or the reason why there is none, n and coverage."""
        return Value(
            value,
            *found.interval.ends,
            n=self.n,
            coverage=self.coverage,
            ci_reason=found.reason,
        )

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


def describe_errors(
    case: Case, runs: Iterable[Run], note: Callable[[Run], str] = lambda _: ""
) -> list[Finding]:
    """Return a finding for each of the runs of grid seconds; the size is its mean error."""
    start_s = case.workout.grid.start_s
    error = get_series(case).error
    return [
        Finding(
            start_s + run.start,
            start_s + run.end,
            float(np.nanmean(error[run.start : run.end])),
            note(run),
        )
        for run in runs
    ]


def _get_series(case: Case) -> Series:
    scored = score_heart_rate(case)
    counted = ~case.paused
    return Series(
        test=np.where(counted, scored.test, NAN),
        reference=np.where(scored.has_reference, scored.reference, NAN),
        counted=counted,
    )
