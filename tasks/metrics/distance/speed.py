"""Speed and pace against the reference."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import Example, Value, metric, unknown
from tasks.maths.lag import Lag, estimate_lag
from tasks.maths.long_run import NOT_SOUGHT, SOURCE, LongRun, estimate_mean

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray
    from tasks.workout.case import Case

SPEED: Final = "speed_mps"
_SOURCE: Final = "common practice, no source"
_LEAST_REFERENCE_SD_MPS: Final = 0.1
_METRES_PER_KM: Final = 1000.0

_OFF: Final[dict[str, Any]] = {
    "test": {SPEED: [3.0, 3.0, 2.0, 4.0]},
    "reference": {SPEED: [2.5, 3.5, 2.0, 3.0]},
}
_NO_SPEED: Final = Example(
    {"test": {"heart_rate_bpm": [100.0]}, "reference": {SPEED: [3.0]}}, None, "no speed"
)
#: Changes of pace by a square wave of 90 s, smoothed by nothing; the test shows them 4 s later.
_WAVE: Final = [3.0 + 1.2 * float(np.sign(np.sin(2 * np.pi * t / 90 + 0.01))) for t in range(1204)]
_LATE: Final[dict[str, Any]] = {
    "test": {SPEED: _WAVE[:1200]},
    "reference": {SPEED: _WAVE[4:]},
}
#: 4:10 against 4:00 per km while moving, and standing still for the last two seconds.
_PACED: Final[dict[str, Any]] = {
    "test": {SPEED: [4.0, 4.0, 0.0, 0.1]},
    "reference": {SPEED: [1000.0 / 240.0, 1000.0 / 240.0, 0.0, 0.0]},
}


@metric(
    "distance",
    title="Speed bias",
    unit="m/s",
    definition="Mean speed minus the reference's over the seconds in which both have one, rest "
    "included; errors of opposite sign cancel",
    formula="mean(test - reference)",
    better="zero",
    source=f"{_SOURCE}; {SOURCE}",
    examples=(Example(_OFF, 0.25, "by hand: mean of 0.5, -0.5, 0, 1"), _NO_SPEED),
    against="speed",
    needs=(SPEED,),
    has_interval=True,
    version=4,
)
def speed_bias_mps(case: Case) -> Value:
    """Return the speed bias [m/s]."""
    found = _compare(case)
    if isinstance(found, Value):
        return found
    return found.make_value(float(found.error.mean()), found.estimate_mean(found.error))


@metric(
    "distance",
    title="Mean absolute speed error",
    unit="m/s",
    definition="Mean absolute error of speed over the seconds in which both have a value; "
    "includes lag, smoothing and the reference's own noise",
    formula="mean(|test - reference|)",
    better="lower",
    source=f"{_SOURCE}; {SOURCE}",
    examples=(Example(_OFF, 0.5, "by hand: mean of 0.5, 0.5, 0, 1"), _NO_SPEED),
    against="speed",
    needs=(SPEED,),
    has_interval=True,
    version=4,
    level="compared",
)
def speed_mae_mps(case: Case) -> Value:
    """Return the mean absolute speed error [m/s]."""
    found = _compare(case)
    if isinstance(found, Value):
        return found
    sizes = np.abs(found.error)
    return found.make_value(float(sizes.mean()), found.estimate_mean(sizes, least=0.0))


@metric(
    "distance",
    title="Mean absolute pace error",
    unit="s/km",
    version=2,
    definition="Mean absolute error of pace over the seconds in which both move; seconds of rest, "
    "in which pace has no meaning, are left out and lower the coverage",
    formula="mean(|1000 / test speed - 1000 / reference speed|), both speeds at least 0.5 m/s",
    better="lower",
    source=_SOURCE,
    examples=(
        Example(_PACED, 10.0, "by hand: 250 - 240 s/km, rest left out", 1e-6),
        Example(
            {"test": {SPEED: [0.0, 0.0]}, "reference": {SPEED: [0.0, 0.0]}}, None, "standing still"
        ),
        _NO_SPEED,
    ),
    against="speed",
    needs=(SPEED,),
)
def pace_mae_s_per_km(case: Case) -> Value:
    """Return the mean absolute pace error [s/km]."""
    found = _compare(case)
    if isinstance(found, Value):
        return found
    least = case.settings.position.moving_mps
    moving = (found.test >= least) & (found.reference >= least)
    n = int(moving.sum())
    coverage = n / found.n_reference if found.n_reference else None
    if not n:
        return unknown("in no second both move", n=0, coverage=coverage)
    error = _METRES_PER_KM / found.test[moving] - _METRES_PER_KM / found.reference[moving]
    return Value(float(np.abs(error).mean()), n=n, coverage=coverage)


@metric(
    "distance",
    title="Lag of speed",
    unit="s",
    version=2,
    definition="Shift at which the device's speed follows the reference's best, positive where it "
    "shows changes of pace late; smoothing over a window shows as half the window",
    formula="argmax_k corr(reference(t), test(t + k)), pooled over windows of 300 s",
    better="zero",
    source=_SOURCE,
    examples=(
        Example(_LATE, 4.0, "by hand: the same wave 4 s later"),
        Example(
            {"test": {SPEED: [3.0] * 900}, "reference": {SPEED: [3.0] * 900}}, None, "no change"
        ),
        Example({**_LATE, "method": "speed"}, None, "clocks set by speed"),
        _NO_SPEED,
    ),
    against="speed",
    needs=(SPEED,),
    whole_only=True,
)
def speed_lag_s(case: Case) -> Value:
    """Return the lag of speed [s]."""
    found = _compare(case)
    if isinstance(found, Value):
        return found
    reason = _explain_no_lag(case)
    if reason is not None:
        return found.decline(reason)
    limits = case.settings.position
    lag = _find_lag(case)
    if lag.shift is None:
        return found.decline("the reference's speed does not change enough to see a lag")
    if lag.is_at_edge:
        return found.decline(
            f"the best shift is the largest that was tried, {limits.max_speed_lag_s:g} s"
        )
    if not lag.r_at_best >= limits.speed_min_correlation:
        return found.decline(
            f"the speeds correlate only to {lag.r_at_best:.2f} at the best shift; "
            f"{limits.speed_min_correlation:g} is needed"
        )
    return found.make_value(float(lag.shift))


@dataclass(frozen=True)
class _Compared:
    """Speeds in the seconds that both have, `(n_compared,)` each [m/s]; grid indices beside."""

    test: FloatArray
    reference: FloatArray
    seconds: FloatArray
    n_reference: int

    @property
    def error(self) -> FloatArray:
        """Test minus reference."""
        error: FloatArray = self.test - self.reference
        return error

    def estimate_mean(self, values: FloatArray, *, least: float = -np.inf) -> LongRun:
        """Return the interval of the long-run mean of values, one per compared second."""
        return estimate_mean(values, least=least, beside=(self.error, np.abs(self.error)))

    def make_value(self, value: float, found: LongRun = NOT_SOUGHT) -> Value:
        """Wrap a value with its interval or the reason why there is none, n and coverage."""
        return Value(
            value,
            *found.interval.ends,
            n=self.test.size,
            coverage=self._coverage,
            ci_reason=found.reason,
        )

    def decline(self, reason: str) -> Value:
        """Say why there is no value."""
        return unknown(reason, n=self.test.size, coverage=self._coverage)

    @property
    def _coverage(self) -> float | None:
        return self.test.size / self.n_reference if self.n_reference else None


def _compare(case: Case) -> _Compared | Value:
    paired = case.paired(SPEED)
    if not paired.n:
        return unknown("in no second both have a speed", coverage=paired.coverage)
    return _Compared(
        paired.test, paired.reference, paired.seconds.astype(np.float64), paired.n_reference
    )


def _find_lag(case: Case) -> Lag:
    reference = None if case.reference is None else case.reference.values(SPEED)
    test = case.test.values(SPEED)
    if reference is None:
        reference = np.full(test.shape, np.nan)
    return estimate_lag(
        np.where(case.counted, reference, np.nan),
        np.where(case.counted, test, np.nan),
        max_shift=round(case.settings.position.max_speed_lag_s),
        least_reference_sd=_LEAST_REFERENCE_SD_MPS,
    )


def _explain_no_lag(case: Case) -> str | None:
    """Say why a lag of speed means nothing; None where the clocks come from elsewhere."""
    methods = {side.alignment.method for side in case.sides}
    if "speed" in methods:
        return "the clocks were set by the speeds themselves, which hides the lag of one"
    if not all(side.alignment.is_compared for side in case.sides):
        return "nothing confirms the clocks, so that a lag may be an error of a clock"
    return None
