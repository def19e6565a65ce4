"""How late heart rate is as a whole, and what is left of the error without that."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Value, metric
from tasks.maths.arrays import NO_INTERVAL
from tasks.maths.first_order import FirstOrderFit, fit_first_order
from tasks.maths.intervals import spread_interval
from tasks.maths.lag import Lag, estimate_lag
from tasks.maths.long_run import FEWEST_SECONDS, LongRun, explain_too_short
from tasks.maths.runs import Run, mark_runs
from tasks.metrics.heart_rate.cadence import find_near_runs
from tasks.metrics.heart_rate.clocks import explain_no_delay, get_clock_error_s
from tasks.metrics.heart_rate.compared import (
    Compared,
    compare_heart_rates,
    get_series,
    name_comparison,
)
from tasks.metrics.heart_rate.examples import BY_HEART_RATE, LATE_WAVES, STILL
from tasks.metrics.heart_rate.gaps import find_frozen_stretches
from tasks.metrics.heart_rate.lock import mark_before_lock
from tasks.metrics.heart_rate.reference import HEART_RATE
from tasks.metrics.heart_rate.response import find_miss_span, find_missed
from tasks.metrics.heart_rate.spikes import find_unsteady_spikes

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray
    from tasks.workout.case import Case

_LEAST_REFERENCE_SD_BPM: Final = 3.0
_MAX_DEAD_S: Final = 40
_MAX_CONSTANT_S: Final = 90.0
_SETTLE_S: Final = 60
#: Standard errors of a clock that count in the interval of a lag: 95 % of a normal error.
_CLOCK_ERRORS: Final = 1.96
#: Slow responses and rare large errors take a little more than the blocks show (simulation).
_WIDENED: Final = 1.1
_LEAST_HALF_WIDTH_S: Final = (
    0.1  # a parabola misses a pointed peak between whole seconds by half of it
)

_NO_PEAK: Final = "the correlation has no clear peak"
_TOO_FEW_BLOCKS: Final = "the workout holds too few independent stretches"


@dataclass(frozen=True)
class Lateness:
    """Lag by cross-correlation and first-order fit of one comparison."""

    lag: Lag
    fit: FirstOrderFit


@metric(
    "heart_rate",
    title="Lag",
    unit="s",
    definition="Shift at which the device's heart rate follows the reference best, positive where "
    "it is late; errors that come and go in the rhythm of the efforts look like one; a slow "
    "response of time constant tau shows as a smaller lag than tau; times are "
    "used as written, so a device that truncates them to whole seconds shifts it by up to 1 s",
    formula="argmax_k corr(reference(t), test(t + k)), pooled over windows of 300 s with equal "
    "overlap for every k; between whole seconds by a parabola through k - 3 to k + 3 s; interval "
    "from blocks of the slope of the correlation at its peak (delta method), a tenth wider, at "
    "least +-0.1 s, and "
    "from the standard errors of the clocks",
    better="zero",
    source="common practice; asked for by Muehlen et al. 2021, BJSM 55:767 (INTERLIVE)",
    examples=(
        Example(LATE_WAVES, 8.0, "by hand: the same waves 8 s later", 0.01),
        Example(STILL, None, "no variation"),
        BY_HEART_RATE,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    whole_only=True,
    version=4,
    has_interval=True,
)
def hr_lag_s(case: Case) -> Value:
    """Return the lag [s]."""
    compared = compare_heart_rates(case)
    reason = explain_no_lag(case)
    lag = get_lateness(case).lag
    if reason is not None or lag.shift is None:
        return compared.decline(reason or "the reference does not vary enough to see a lag")
    refined = lag.refined
    if not np.isfinite(refined.mean):
        return compared.make_value(float(lag.shift), LongRun(NO_INTERVAL, _NO_PEAK))
    # An unknown half-width stays unknown: the maximum of NaN and a number is NaN here.
    widened = _WIDENED * refined.compute_half_width()
    half_width = float(np.maximum(widened, _LEAST_HALF_WIDTH_S))
    if compared.n < FEWEST_SECONDS:
        return compared.make_value(
            refined.mean, LongRun(NO_INTERVAL, explain_too_short(compared.n))
        )
    reason = None if np.isfinite(half_width) else _TOO_FEW_BLOCKS
    half_width = hypot(half_width, _CLOCK_ERRORS * get_clock_error_s(case))
    return compared.make_value(
        refined.mean, LongRun(spread_interval(refined.mean, half_width), reason)
    )


@metric(
    "heart_rate",
    title="Spread of the lag",
    unit="s",
    definition="Half the interquartile range of the best shifts of single windows of 300 s: how "
    "much the lag changes within the workout",
    formula="(third - first quartile of the windows' best shifts) / 2",
    better="lower",
    source="common practice, no source",
    examples=(
        Example(LATE_WAVES, 0.0, "by hand: every window is 8 s late"),
        Example(STILL, None, "no variation"),
        BY_HEART_RATE,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    whole_only=True,
)
def hr_lag_spread_s(case: Case) -> Value:
    """Return the spread of the lag over windows [s]."""
    compared = compare_heart_rates(case)
    reason = explain_no_lag(case)
    lag = get_lateness(case).lag
    if reason is not None or not np.isfinite(lag.spread):
        return compared.decline(reason or "fewer than three windows show a lag")
    return Value(lag.spread, n=len(lag.window_shifts), coverage=compared.coverage)


@metric(
    "heart_rate",
    title="Mean absolute error without the lag",
    unit="bpm",
    definition="Mean absolute error after the lag is removed, to be read beside the plain one: "
    "what remains if lateness is forgiven",
    formula="mean(|test(t + lag) - reference(t)|), lag in whole seconds",
    better="lower",
    source="common practice, no source",
    examples=(
        Example(LATE_WAVES, 0.0, "by hand: equal after 8 s", 1e-6),
        Example(STILL, None, "no variation"),
        BY_HEART_RATE,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    whole_only=True,
    has_interval=True,
    version=3,
)
def hr_mae_without_lag_bpm(case: Case) -> Value:
    """Return the mean absolute error after removing the lag [bpm]."""
    compared = compare_heart_rates(case)
    reason = explain_no_lag(case)
    shift = get_lateness(case).lag.shift
    if reason is not None or shift is None:
        return compared.decline(reason or "the reference does not vary enough to see a lag")
    series = get_series(case)
    moved = np.full(series.test.size, np.nan)
    if shift >= 0:
        moved[: moved.size - shift] = series.test[shift:]
    else:
        moved[-shift:] = series.test[:shift]
    inside = case.counted & np.isfinite(moved) & np.isfinite(series.reference)
    if not inside.any():
        return compared.decline("no second is left after the shift")
    shifted = Compared(
        test=moved[inside],
        reference=series.reference[inside],
        seconds=np.flatnonzero(inside),
        n_reference=compared.n_reference,
        shortest_block=compared.shortest_block,
    )
    sizes = np.abs(shifted.error)
    return shifted.make_value(float(sizes.mean()), shifted.estimate_mean(sizes, least=0.0))


def get_lateness(case: Case) -> Lateness:
    """Return lag and first-order fit of the whole comparison, found once."""
    key = f"heart_rate:lateness:{name_comparison(case)}"
    return case.once_per_workout(key, lambda: _measure_lateness(case))


def _measure_lateness(case: Case) -> Lateness:
    limits = case.settings.heart_rate
    reference = get_series(case).reference
    test = take_sound_part(case)
    lag = estimate_lag(
        reference,
        test,
        max_shift=round(limits.max_lag_s),
        least_reference_sd=_LEAST_REFERENCE_SD_BPM,
    )
    fit = fit_first_order(
        reference,
        test,
        max_dead_time=_MAX_DEAD_S,
        max_time_constant=_MAX_CONSTANT_S,
        settle=_SETTLE_S,
    )
    return Lateness(lag, fit)


def take_sound_part(case: Case) -> FloatArray:
    """Return the test without what is no response: before lock, frozen, spikes, misses, cadence."""
    test = get_series(case).test.copy()
    runs = [*find_frozen_stretches(case), *find_near_runs(case)]
    runs += [spike.run for spike in find_unsteady_spikes(case)]
    runs += [Run(*find_miss_span(case, missed)) for missed in find_missed(case)]
    test[mark_runs(tuple(runs), test.size)] = np.nan
    before = mark_before_lock(case)
    if not before.all():
        test[before] = np.nan
    return test


def explain_no_lag(case: Case) -> str | None:
    """Say why the two heart rates show no lag of one behind the other; None where they do."""
    reason = explain_no_delay(case)
    if reason is not None:
        return reason
    lag = get_lateness(case).lag
    limits = case.settings.heart_rate
    if lag.shift is not None and lag.is_at_edge:
        return f"the best shift is the largest that was tried, {limits.max_lag_s:g} s"
    if lag.shift is not None and not lag.r_at_best >= limits.lag_min_correlation:
        return (
            f"the heart rates correlate only to {lag.r_at_best:.2f} at the best shift; "
            f"{limits.lag_min_correlation:g} is needed"
        )
    return None
