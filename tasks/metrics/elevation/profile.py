"""The profile of heights against the reference, on loops and by itself."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import Example, Value, metric, unknown
from tasks.maths.elevation import (
    compute_pressure_altitude_m,
    compute_robust_slope,
    compute_rough_sd,
)
from tasks.maths.geodesy import compute_distances_m
from tasks.metrics.elevation.heights import ALTITUDE, FEWEST, NO_HEIGHT, SOURCE, give_compared

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray
    from tasks.workout.case import Case, Subject

_HOUR_S: Final = 3600.0
_P95: Final = 0.95
#: The first and last heights of a loop are means over this time [s].
_END_S: Final = 10

_LONG: Final = [200.0 + 30.0 * float(np.sin(second / 300.0)) for second in range(3601)]
_DRIFTING: Final[dict[str, Any]] = {
    "test": {ALTITUDE: [height + 4.0 + second / 360.0 for second, height in enumerate(_LONG)]},
    "reference": {ALTITUDE: _LONG},
}
_WAVY: Final[dict[str, Any]] = {
    "test": {ALTITUDE: [10.0, 14.0, 10.0, 14.0]},
    "reference": {ALTITUDE: [5.0, 5.0, 5.0, 5.0]},
}


@metric(
    "elevation",
    title="Altitude bias",
    unit="m",
    version=2,
    definition="Mean altitude minus the reference's; mostly the constant offset of an "
    "uncalibrated barometer; errors of opposite sign cancel",
    formula="mean(test - reference)",
    better="zero",
    source=SOURCE,
    examples=(Example(_WAVY, 7.0, "by hand: mean of 5, 9, 5, 9"), NO_HEIGHT),
    against="altitude",
    needs=(ALTITUDE,),
)
def altitude_bias_m(case: Case) -> Value:
    """Return the altitude bias [m]."""
    paired = case.paired(ALTITUDE)
    if not paired.n:
        return unknown("in no second both have a height", coverage=paired.coverage)
    return give_compared(case, float(paired.error.mean()))


@metric(
    "elevation",
    title="Altitude RMS error without the offset",
    unit="m",
    version=2,
    definition="Root mean square of the altitude error after its mean is subtracted: how well the "
    "shape of the profile is kept, drift included",
    formula="sqrt(mean((error - mean error)^2))",
    better="lower",
    source=SOURCE,
    examples=(Example(_WAVY, 2.0, "by hand: 2 m about the mean"), NO_HEIGHT),
    against="altitude",
    needs=(ALTITUDE,),
    level="compared",
)
def altitude_rms_m(case: Case) -> Value:
    """Return the RMS error without the offset [m]."""
    paired = case.paired(ALTITUDE)
    if not paired.n:
        return unknown("in no second both have a height", coverage=paired.coverage)
    return give_compared(case, float(paired.error.std()))


@metric(
    "elevation",
    title="Altitude error without the offset, 95 %",
    unit="m",
    version=2,
    definition="In 95 % of the seconds the altitude error is smaller than this, after its mean is "
    "subtracted",
    formula="95th percentile of |error - mean error|",
    better="lower",
    source=SOURCE,
    examples=(Example(_WAVY, 2.0, "by hand: 2 m about the mean"), NO_HEIGHT),
    against="altitude",
    needs=(ALTITUDE,),
)
def altitude_p95_m(case: Case) -> Value:
    """Return the 95th percentile of the error without the offset [m]."""
    paired = case.paired(ALTITUDE)
    if not paired.n:
        return unknown("in no second both have a height", coverage=paired.coverage)
    return give_compared(case, float(np.quantile(np.abs(paired.error - paired.error.mean()), _P95)))


@metric(
    "elevation",
    title="Altitude drift",
    unit="m/h",
    version=2,
    definition="Rate at which altitude drifts from the reference's; a change of weather moves a "
    "barometer by 8 to 9 m per hPa, and drift of the reference shows here too",
    formula="median slope (Theil and Sen) of the error over time, means of 60 s",
    better="zero",
    source="Sen 1968, JASA 63:1379",
    examples=(
        Example(_DRIFTING, 10.0, "by hand: 1 m in 360 s", 1e-6),
        Example(_WAVY, None, "four seconds show no drift"),
        NO_HEIGHT,
    ),
    against="altitude",
    needs=(ALTITUDE,),
    whole_only=True,
)
def altitude_drift_m_per_h(case: Case) -> Value:
    """Return the drift [m/h]."""
    paired = case.paired(ALTITUDE)
    limits = case.settings.elevation
    span = float(np.ptp(paired.seconds)) if paired.n else 0.0
    if span < limits.drift_least_s:
        return unknown(
            f"heights can be compared over {span / 60:.0f} min; a drift needs "
            f"{limits.drift_least_s / 60:.0f} min",
            n=paired.n,
            coverage=paired.coverage,
        )
    slope = compute_robust_slope(
        paired.seconds.astype(np.float64), paired.error, width=limits.drift_step_s
    )
    return give_compared(case, slope * _HOUR_S)


@metric(
    "elevation",
    title="Closure",
    unit="m",
    version=2,
    definition="Height at the end minus height at the start of a workout that ends where it "
    "began, both as means of 10 s; a drift that reverses does not show",
    formula="mean height of the last 10 s - mean height of the first 10 s",
    better="zero",
    source=SOURCE,
    examples=(
        Example(
            {
                "test": {
                    ALTITUDE: [100.0] * 10 + [150.0] * 20 + [104.0] * 10,
                    "latitude_deg": [0.0] * 10 + [0.01] * 20 + [0.0] * 10,
                    "longitude_deg": [0.0] * 40,
                }
            },
            4.0,
            "by hand: 104 - 100",
        ),
        Example(
            {
                "test": {
                    ALTITUDE: [100.0] * 20,
                    "latitude_deg": [0.0] * 10 + [0.01] * 10,
                    "longitude_deg": [0.0] * 20,
                }
            },
            None,
            "ends a kilometre away",
        ),
        NO_HEIGHT,
    ),
    needs=(ALTITUDE,),
    whole_only=True,
)
def altitude_closure_m(case: Case) -> Value:
    """Return the closure of a loop [m]."""
    heights = case.test.values(ALTITUDE)
    known = np.flatnonzero(np.isfinite(heights))
    if known.size < FEWEST:
        return unknown("fewer than two heights", n=int(known.size))
    apart = _measure_opening(case.test)
    limit = case.settings.elevation.loop_within_m
    if apart is None:
        return unknown("without positions it is not known whether the workout is a loop")
    if apart > limit:
        return unknown(f"start and end are {apart:.0f} m apart; a loop ends within {limit:g} m")
    first = heights[known[known < known[0] + _END_S]]
    last = heights[known[known > known[-1] - _END_S]]
    return Value(float(last.mean() - first.mean()), n=int(known.size))


@metric(
    "elevation",
    title="Altitude noise",
    unit="m",
    version=2,
    definition="Roughness of the recorded profile: the SD about its running mean over 15 s; white "
    "noise is returned with its own SD, slower noise with less, and sharp bends of the terrain "
    "count as noise",
    formula="SD(e - running mean of w seconds) * sqrt(w / (w - 1))",
    better="lower",
    source=SOURCE,
    examples=(
        Example(
            {"test": {ALTITUDE: [100.0 + 0.5 * second for second in range(100)]}},
            0.0,
            "by hand: an even slope is its own running mean",
        ),
        NO_HEIGHT,
    ),
    needs=(ALTITUDE,),
)
def altitude_noise_m(case: Case) -> Value:
    """Return the altitude noise [m]."""
    heights = np.where(case.counted, case.test.values(ALTITUDE), np.nan)
    n = int(np.isfinite(heights).sum())
    rough = compute_rough_sd(heights, width=case.settings.elevation.noise_window_s)
    return Value(rough, n=n) if np.isfinite(rough) else unknown("too few heights", n=n)


@metric(
    "elevation",
    title="Height against pressure, RMS",
    unit="m",
    version=2,
    definition="RMS difference of the recorded height and the height of the recorded pressure in "
    "the standard atmosphere, after the mean difference is subtracted: small where altitude "
    "follows the barometer, larger where it is corrected by satellites or maps",
    formula="SD(altitude - standard height of the pressure)",
    better="none",
    source="ISO 2533:1975, Standard atmosphere",
    examples=(
        Example(
            {"test": {ALTITUDE: [0.0, 500.0, 1000.0], "pressure_pa": [101325, 95461, 89875]}},
            0.0,
            "ISO 2533: 1013.25, 954.61 and 898.75 hPa at 0, 500 and 1000 m",
            0.1,
        ),
        NO_HEIGHT,
    ),
    needs=(ALTITUDE, "pressure_pa"),
)
def altitude_pressure_rms_m(case: Case) -> Value:
    """Return the RMS difference of height and barometric height [m]."""
    off = case.test.values(ALTITUDE) - compute_pressure_altitude_m(case.test.values("pressure_pa"))
    off = off[case.counted & np.isfinite(off)]
    if off.size < FEWEST:
        return unknown("fewer than two seconds with height and pressure", n=int(off.size))
    return Value(float(off.std()), n=int(off.size))


def _measure_opening(subject: Subject) -> float | None:
    """Return the distance of the first and last position [m], None without."""
    if subject.recording.header.position_kind == "virtual":
        return None
    latitude, longitude = subject.values("latitude_deg"), subject.values("longitude_deg")
    known = np.flatnonzero(np.isfinite(latitude) & np.isfinite(longitude))
    if known.size < FEWEST:
        return None
    ends: FloatArray = compute_distances_m(
        latitude[known[:1]], longitude[known[:1]], latitude[known[-1:]], longitude[known[-1:]]
    )
    return float(ends[0])
