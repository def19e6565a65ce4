"""How late heart rate is: at rises and recoveries, and as dead time with a time constant."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Value, metric
from tasks.maths.arrays import NO_INTERVAL
from tasks.maths.long_run import FEWEST_SECONDS, explain_too_short
from tasks.maths.rise_delays import Delay, RiseDelays, measure_rise_delays, pool_delays
from tasks.metrics.heart_rate.clocks import explain_no_delay
from tasks.metrics.heart_rate.compared import compare_heart_rates, get_series, name_comparison
from tasks.metrics.heart_rate.examples import BY_HEART_RATE, FLAT, LATE_RAMPS, LATE_WAVES, STILL
from tasks.metrics.heart_rate.lag import explain_no_lag, get_lateness, take_sound_part
from tasks.metrics.heart_rate.reference import HEART_RATE
from tasks.metrics.heart_rate.response import (
    NO_RISE,
    NOT_SEEN,
    PATIENCE_S,
    get_responses,
    list_inside,
)

if TYPE_CHECKING:
    from tasks.maths.arrays import Interval
    from tasks.maths.rises import Following
    from tasks.workout.case import Case

#: Dead time and time constant can be estimated only where the reference moves clearly.
_LEAST_MOVEMENT_SD_BPM: Final = 6.0
_NO_MOVEMENT: Final = "the reference does not vary enough to see a response"
_NO_FALL: Final = "the reference makes no such fall in these seconds"
_STEP: Final = "step response of a measuring system (common practice); "
_POOLED: Final = "typical value after Huber 1964, Annals of Mathematical Statistics 35:73"
_CONTROL: Final = (
    "first-order response with dead time (any text on control); profile likelihood after Venzon "
    "and Moolgavkar 1988, Applied Statistics 37:87"
)

_NO_INTERVAL_OF_RISES: Final = (
    "has no interval: the rises of one workout are too few and too different for one that would "
    "contain the truth as often as it says"
)
_NO_END: Final = "the likelihood has no end on one side"


@dataclass(frozen=True)
class Delays:
    """Delays of the rises and of the falls of one comparison, in the order of its responses."""

    rises: tuple[RiseDelays, ...]
    falls: tuple[RiseDelays, ...]


@metric(
    "heart_rate",
    title="Delay of rises",
    unit="s",
    definition="Typical delay behind the reference at half of each rise, after a constant bias is "
    "removed, read from a curve through all seconds of the rise; rises that are missed entirely "
    f"have no delay and count in hr_missed_rises_pct; {_NO_INTERVAL_OF_RISES}",
    formula="Huber's mean over rises of (test crosses half rise - reference "
    "crosses it), both smoothed over 9 s; the test's curve is the first-order answer to the "
    "reference, moved to where it meets the rise best, or the test itself where it is off that "
    "curve by over 3.5 SD",
    better="lower",
    source=_STEP + _POOLED,
    examples=(
        Example(LATE_RAMPS, 8.0, "by hand: the same ramp 8 s later", 0.01),
        Example(FLAT, None, "no effort"),
        Example({**LATE_RAMPS, "method": "heart_rate"}, None, "clocks set by heart rate"),
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    version=3,
    level="compared",
)
def hr_rise_delay_s(case: Case) -> Value:
    """Return the typical delay at half rise [s]."""
    delays = _pick(case, get_responses(case).rises, get_delays(case).rises)
    return _give_delay(case, [each.half for each in delays], NO_RISE)


@metric(
    "heart_rate",
    title="Delay to 90 % of rises",
    unit="s",
    definition="Typical delay behind the reference at 90 % of each rise, after a constant bias is "
    "removed; computed as at half of it; where a rise flattens out, the last tenth is slow and "
    f"the delay less well known; {_NO_INTERVAL_OF_RISES}",
    formula="Huber's mean over rises of (test crosses 90 % of the rise - "
    "reference crosses it), from the same curves",
    better="lower",
    source=_STEP + _POOLED,
    examples=(
        Example(LATE_RAMPS, 8.0, "by hand: the same ramp 8 s later", 0.01),
        Example(FLAT, None, "no effort"),
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    version=3,
)
def hr_rise_delay_90_s(case: Case) -> Value:
    """Return the typical delay at 90 % of the rise [s]."""
    delays = _pick(case, get_responses(case).rises, get_delays(case).rises)
    return _give_delay(case, [each.near for each in delays], NO_RISE)


@metric(
    "heart_rate",
    title="Delay of recoveries",
    unit="s",
    definition="Typical delay behind the reference at half of each fall of at least rise_bpm "
    "within rise_window_s, after a constant bias is removed; computed as for rises; "
    f"{_NO_INTERVAL_OF_RISES}",
    formula="Huber's mean over falls of (test crosses half fall - reference "
    "crosses it), from the same curves",
    better="lower",
    source=_STEP + _POOLED,
    examples=(
        Example(LATE_RAMPS, 8.0, "by hand: the same ramp down 8 s later", 0.01),
        Example(FLAT, None, "no recovery"),
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    version=3,
)
def hr_recovery_delay_s(case: Case) -> Value:
    """Return the typical delay at half fall [s]."""
    delays = _pick(case, get_responses(case).falls, get_delays(case).falls)
    return _give_delay(case, [each.half for each in delays], _NO_FALL)


@metric(
    "heart_rate",
    title="Dead time",
    unit="s",
    definition="Pure delay part of the simplest first-order response to the reference that fits "
    "(pure shift, pure first order, or both), from all rises and falls together; unknown where "
    "shift and first order fit equally well and only their sum is known: with whole bpm and three "
    "hard efforts below about 2 s, with noise of 1 bpm below about 4 s, of 1.5 bpm below about 5 s",
    formula="dead time of test(t) = offset + first-order response of reference(t - dead time), "
    "profile likelihood with autoregressive noise and the reference's rounding taken off",
    better="lower",
    source=_CONTROL,
    examples=(
        Example(LATE_WAVES, 8.0, "by hand: the same waves 8 s later", 0.2),
        Example(STILL, None, "no variation"),
        BY_HEART_RATE,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    whole_only=True,
    version=3,
    has_interval=True,
)
def hr_dead_time_s(case: Case) -> Value:
    """Return the dead time [s]."""
    fit = get_lateness(case).fit
    return _give_part(case, fit.dead_time, fit.dead_time_interval)


@metric(
    "heart_rate",
    title="Time constant",
    unit="s",
    definition="Time constant of the simplest first-order response to the reference that fits: "
    "time to make 63 % of a step; 0 where a pure shift fits; unknown where it cannot be separated "
    "from a shift (as for the dead time)",
    formula="tau of y' = (x - y) / tau with dead time and offset, gain 1, from the same likelihood",
    better="lower",
    source=_CONTROL,
    examples=(
        Example(LATE_WAVES, 0.0, "by hand: a pure shift", 0.2),
        Example(STILL, None, "no variation"),
        BY_HEART_RATE,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    whole_only=True,
    version=3,
    has_interval=True,
)
def hr_time_constant_s(case: Case) -> Value:
    """Return the time constant [s]."""
    fit = get_lateness(case).fit
    return _give_part(case, fit.time_constant, fit.time_constant_interval)


@metric(
    "heart_rate",
    title="Mean delay",
    unit="s",
    definition="Dead time plus time constant: how far the device runs behind a steady ramp of the "
    "reference; known more precisely than either, also where the two cannot be separated",
    formula="dead time + time constant of the same fit; interval from its profile likelihood",
    better="lower",
    source=_CONTROL,
    examples=(
        Example(LATE_WAVES, 8.0, "by hand: the same waves 8 s later", 0.2),
        Example(STILL, None, "no variation"),
        BY_HEART_RATE,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    whole_only=True,
    version=2,
    has_interval=True,
)
def hr_mean_delay_s(case: Case) -> Value:
    """Return the mean delay [s]."""
    fit = get_lateness(case).fit
    return _give_fit(case, fit.delay, fit.delay_interval)


def get_delays(case: Case) -> Delays:
    """Return the delays of all rises and falls of the whole comparison, found once."""
    key = f"heart_rate:delays:{name_comparison(case)}"
    return case.once_per_workout(key, lambda: _measure_delays(case))


def _measure_delays(case: Case) -> Delays:
    responses, fit = get_responses(case), get_lateness(case).fit
    reference, test = get_series(case).reference, take_sound_part(case)
    both = [
        measure_rise_delays(
            sign * reference,
            sign * test,
            [each.rise for each in followings],
            fit if sign > 0 else fit.negate(),
            crossings=[(each.delay_half, each.delay_near) for each in followings],
            patience=PATIENCE_S,
        )
        for sign, followings in ((1.0, responses.rises), (-1.0, responses.falls))
    ]
    return Delays(rises=both[0], falls=both[1])


def _pick(
    case: Case, followings: tuple[Following, ...], delays: tuple[RiseDelays, ...]
) -> list[RiseDelays]:
    """Return the delays of those that begin in the seconds of the case."""
    inside = list_inside(case, followings)
    return [delay for each, delay in zip(followings, delays, strict=True) if each in inside]


def _give_delay(case: Case, delays: list[Delay], nothing: str) -> Value:
    compared = compare_heart_rates(case)
    reason = explain_no_delay(case)
    if reason is not None:
        return compared.decline(reason)
    if not delays:
        return compared.decline(nothing)
    pooled = pool_delays(delays)
    if not np.isfinite(pooled):
        return compared.decline(NOT_SEEN)
    known = sum(bool(np.isfinite(each.value)) for each in delays)
    return Value(pooled, n=known, coverage=compared.coverage)


def _give_part(case: Case, value: float, interval: Interval) -> Value:
    fit = get_lateness(case).fit
    given = _give_fit(case, value, interval)
    if given.value is None or fit.kind != "cannot be told":
        return given
    return compare_heart_rates(case).decline(
        "a pure shift and a first-order response fit equally well; together "
        f"they are {fit.delay:.1f} s"
    )


def _give_fit(case: Case, value: float, interval: Interval) -> Value:
    compared = compare_heart_rates(case)
    reason = explain_no_lag(case)
    if reason is not None:
        return compared.decline(reason)
    reference = get_series(case).reference
    known = reference[np.isfinite(reference)]
    if not np.isfinite(value) or known.std() < _LEAST_MOVEMENT_SD_BPM:
        return compared.decline(_NO_MOVEMENT)
    reason = None if np.isfinite(interval.low + interval.high) else _NO_END
    if compared.n < FEWEST_SECONDS:
        interval, reason = NO_INTERVAL, explain_too_short(compared.n)
    return Value(
        value,
        *interval.ends,
        n=get_lateness(case).fit.n,
        coverage=compared.coverage,
        ci_reason=reason,
    )
