"""What it was like while heart rate went wrong: the cold at the start, the slope in a lock."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Value, metric
from tasks.maths.runs import mark_runs
from tasks.maths.smoothing import compute_running_mean
from tasks.metrics.heart_rate.cadence import CADENCE, find_locked_runs
from tasks.metrics.heart_rate.compared import compare_heart_rates
from tasks.metrics.heart_rate.lock import find_lock
from tasks.metrics.heart_rate.reference import HEART_RATE

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray
    from tasks.workout.case import Case

TEMPERATURE: Final = "temperature_degc"
_ALTITUDE: Final = "altitude_m"
#: Altitude is smoothed over so long, and its fall is taken over so long [s].
_SMOOTH_S: Final = 15
_SLOPE_S: Final = 30
#: From this fall on the ground is said to descend [m/s]: a metre in twenty seconds.
_DESCENT_MPS: Final = 0.05


@metric(
    "heart_rate",
    title="Temperature at the start",
    unit="degC",
    definition="Median temperature of the first cold_start_s with heart rate, of the device that "
    "shows the lowest one: worn devices are warmed by the body, so that the air may be colder",
    formula="lowest of the devices' medians of temperature over cold_start_s",
    better="none",
    source="common practice, no source",
    examples=(
        Example(
            {
                "test": {HEART_RATE: [120] * 60, TEMPERATURE: [14.0] * 60},
                "reference": {HEART_RATE: [120] * 60, TEMPERATURE: [9.0] * 60},
            },
            9.0,
            "by hand: the reference is the colder one",
        ),
        Example(
            {"test": {HEART_RATE: [120] * 60}, "reference": {HEART_RATE: [120] * 60}},
            None,
            "nobody recorded a temperature",
        ),
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    whole_only=True,
)
def hr_start_temperature_degc(case: Case) -> Value:
    """Return the temperature at the start [degC]."""
    compared = compare_heart_rates(case)
    found = find_start_temperature(case)
    if found is None:
        return compared.decline("no device of this workout recorded a temperature at its start")
    return compared.make_value(found)


def find_start_temperature(case: Case) -> float | None:
    """Return the lowest of the devices' median temperatures at the start [degC], None without."""
    begin, _ = find_lock(case)
    if begin is None:
        return None
    early = slice(begin, begin + round(case.settings.heart_rate.cold_start_s))
    sides = (side for side in (case.test, *case.others) if side.has(TEMPERATURE))
    seen = [part[np.isfinite(part)] for part in (one.values(TEMPERATURE)[early] for one in sides)]
    return min((float(np.median(part)) for part in seen if part.size), default=None)


@metric(
    "heart_rate",
    title="Cadence lock downhill",
    unit="%",
    definition="Share of the time in cadence lock in which the ground falls by a metre in twenty "
    "seconds or more; by the device's own altitude, else another one's; a coincidence and no proof",
    formula="100 * seconds in cadence lock that descend / seconds in cadence lock",
    better="none",
    source="common practice, no source",
    examples=(
        Example(
            {
                "test": {HEART_RATE: [130] * 60, CADENCE: [85] * 60, _ALTITUDE: [100.0] * 60},
                "reference": {HEART_RATE: [130] * 60},
            },
            None,
            "no cadence lock",
        ),
        Example(
            {
                "test": {
                    HEART_RATE: [130] * 300 + [171] * 40 + [130] * 260,
                    CADENCE: [75] * 300 + [85] * 40 + [75] * 260,
                    _ALTITUDE: [200.0] * 320 + [200.0 - 0.2 * number for number in range(280)],
                },
                "reference": {HEART_RATE: [130] * 600},
            },
            # Locked in seconds 302 to 337. Smoothed altitude is 200 m up to 313 and on the line
            # from 327 on, so that it falls by 1.5 m in 30 s from second 313 on: 25 seconds.
            100.0 * 25.0 / 36.0,
            "by hand: level for twenty seconds of the lock, then falling by 0.2 m/s",
        ),
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    whole_only=True,
)
def hr_cadence_descent_pct(case: Case) -> Value:
    """Return the share of the time in cadence lock that is downhill [%]."""
    compared = compare_heart_rates(case)
    locked = mark_runs(find_locked_runs(case), case.segment.mask.size) & case.segment.mask
    if not locked.any():
        return compared.decline("no cadence lock")
    fall = _find_fall(case)
    known = locked if fall is None else locked & np.isfinite(fall)
    if fall is None or not known.any():
        return compared.decline("no device recorded altitude in the cadence lock")
    descends = known & (fall >= _DESCENT_MPS)
    return Value(100.0 * float(descends.sum()) / float(known.sum()), n=int(known.sum()))


def _find_fall(case: Case) -> FloatArray | None:
    """Return how fast the ground falls at each second [m/s], None where nobody knows its height."""
    side = next((one for one in (case.test, *case.others) if one.has(_ALTITUDE)), None)
    if side is None:
        return None
    altitude = compute_running_mean(side.values(_ALTITUDE), width=_SMOOTH_S)
    fall = np.full(altitude.size, np.nan)
    half = _SLOPE_S // 2
    fall[half:-half] = (altitude[: -2 * half] - altitude[2 * half :]) / (2 * half)
    return fall
