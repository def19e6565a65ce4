"""Short excursions of heart rate that the heart did not make."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Finding, Value, finding, metric
from tasks.maths.spikes import Spike, find_spikes
from tasks.metrics.heart_rate.compared import compare_heart_rates, get_series, name_comparison
from tasks.metrics.heart_rate.reference import HEART_RATE, find_steady

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray, FloatArray
    from tasks.workout.case import Case

_SOURCE: Final = "rule after Hampel 1974, JASA 69:383, with a floor; limits common practice"
_EDGE_S: Final = 5


@metric(
    "heart_rate",
    title="Spikes",
    unit="1",
    version=2,
    definition="Number of excursions of at least spike_bpm, from the device's own running median "
    "and in its error, that last less than spike_s while the reference is steady",
    formula="runs of |x - median over 61 s| > max(spike_floor_bpm, 3 * 1.4826 MAD) that reach "
    "spike_bpm",
    better="lower",
    source=_SOURCE,
    examples=(
        Example(
            {
                "test": {HEART_RATE: [120] * 60 + [150] * 4 + [120] * 60 + [100] * 3 + [120] * 60},
                "reference": {HEART_RATE: [120, 121] * 93 + [120]},
            },
            2.0,
            "by hand: one of +30 bpm, one of -20 bpm",
        ),
        Example(
            {
                "test": {HEART_RATE: [120] * 60 + [150] * 30 + [120] * 60},
                "reference": {HEART_RATE: [120, 121] * 75},
            },
            0.0,
            "by hand: half a minute is no spike",
        ),
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_spikes(case: Case) -> Value:
    """Return the number of spikes that begin in the case's seconds."""
    found = find_unsteady_spikes(case)
    count = sum(bool(case.segment.mask[spike.run.start]) for spike in found)
    return compare_heart_rates(case).make_value(float(count))


@finding(
    "spike",
    domain="heart_rate",
    title="Heart-rate spike",
    unit="bpm",
    version=2,
    definition="Excursion of at least spike_bpm from the device's own running median, shorter than "
    "spike_s, while the reference is steady; the size is that of the jump of the error, at least "
    "spike_bpm too",
    source=_SOURCE,
    against="heart_rate",
    needs=(HEART_RATE,),
)
def find_heart_rate_spikes(case: Case) -> list[Finding]:
    """Return the spikes."""
    start_s = case.workout.grid.start_s
    return [
        Finding(
            start_s + spike.run.start,
            start_s + spike.run.end,
            _measure_size(get_series(case).error, spike),
        )
        for spike in find_unsteady_spikes(case)
    ]


def _measure_size(error: FloatArray, spike: Spike) -> float:
    """Return how far the error jumps: its level in the spike against that of the seconds around.

    The neighbouring seconds share most of the noise of those inside.
    """
    run = spike.run
    around = np.concatenate(
        [error[max(run.start - _EDGE_S, 0) : run.start], error[run.end : run.end + _EDGE_S]]
    )
    inside = error[run.start : run.end]
    around, inside = around[np.isfinite(around)], inside[np.isfinite(inside)]
    if not around.size or not inside.size:
        return spike.size
    jumps = inside - around.mean()
    sign = np.sign(spike.size)
    upper = jumps[sign * jumps >= float((sign * jumps).max()) / 2]
    return float(np.mean(upper)) if upper.size else spike.size


def find_unsteady_spikes(case: Case) -> tuple[Spike, ...]:
    """Return the spikes of the test over the whole comparison, where the reference has none."""
    key = f"heart_rate:spikes:{name_comparison(case)}"
    return case.once_per_workout(key, lambda: _find_spikes(case))


def _find_spikes(case: Case) -> tuple[Spike, ...]:
    limits = case.settings.heart_rate
    series = get_series(case)
    spikes = find_spikes(
        series.test,
        size=limits.spike_bpm,
        floor=limits.spike_floor_bpm,
        shorter_than=limits.spike_s,
    )
    if not spikes:
        return ()
    medians_kept = find_steady(series.reference, limit=limits.steady_bpm)
    return tuple(
        spike
        for spike in spikes
        if _is_steady(series.reference, medians_kept, spike, limit=limits.steady_bpm)
        and abs(_measure_size(series.error, spike)) >= limits.spike_bpm
    )


def _is_steady(
    reference: FloatArray, medians_kept: BoolArray, spike: Spike, *, limit: float
) -> bool:
    """Say whether the reference stays near its median around a spike, and does not climb."""
    around = slice(max(spike.run.start - _EDGE_S, 0), spike.run.end + _EDGE_S)
    return bool(medians_kept[around].all()) and float(np.ptp(reference[around])) <= 2 * limit
