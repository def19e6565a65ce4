"""Elevation: ascent and descent, and the profile against a reference."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import Example, Value, metric, unknown
from tasks.maths.elevation import (
    Climb,
    accumulate_climb,
    compute_pressure_altitude_m,
    compute_robust_slope,
    compute_rough_sd,
)
from tasks.maths.geodesy import compute_distances_m
from tasks.tables.arrow import read_floats
from tasks.tracks import mark_case_samples

if TYPE_CHECKING:
    from tasks.case import Case, Subject
    from tasks.maths.arrays import FloatArray

ALTITUDE: Final = "altitude_m"
_SOURCE: Final = "common practice, no source"
_PERCENT: Final = 100.0
_HOUR_S: Final = 3600.0
_P95: Final = 0.95
#: The first and last heights of a loop are means over this time [s].
_END_S: Final = 10
_FEWEST: Final = 2

_HILL: Final = [100.0 + 2.0 * step for step in range(11)] + [120.0 - 2.0 * s for s in range(1, 11)]
_HILLY: Final[dict[str, Any]] = {
    "test": {ALTITUDE: _HILL},
    "header": {"altitude_kind": "barometric"},
}
_NO_HEIGHT: Final = Example(
    {"test": {"heart_rate_bpm": [100.0]}, "reference": {"heart_rate_bpm": [100.0]}},
    None,
    "no heights",
)
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
    title="Ascent",
    unit="m",
    definition="Rises of the recorded profile of at least a threshold (3 m barometric, 10 m from "
    "satellites, 5 m where the export does not tell, configurable); the threshold decides much of "
    "it, and what is left before each turn is not counted",
    formula="sum of (e - ref) whenever e - ref >= h, ref then moving to e, and likewise downwards",
    better="none",
    source=_SOURCE,
    examples=(
        Example(_HILLY, 20.0, "by hand: steps of 4 m, the last 120 m"),
        Example(
            {**_HILLY, "header": {"altitude_kind": "gnss"}},
            20.0,
            "by hand: two steps of 10 m",
        ),
        _NO_HEIGHT,
    ),
    needs=(ALTITUDE,),
)
def ascent_m(case: Case) -> Value:
    """Give the ascent of the profile [m]."""
    climb = _climb(case, case.test)
    return climb if isinstance(climb, Value) else Value(climb.ascent_m, n=_count(case))


@metric(
    "elevation",
    title="Descent",
    unit="m",
    definition="Falls of the recorded profile of at least the threshold of the ascent; the "
    "threshold decides much of it",
    formula="as the ascent, downwards",
    better="none",
    source=_SOURCE,
    examples=(Example(_HILLY, 20.0, "by hand: steps of 4 m from 120 m"), _NO_HEIGHT),
    needs=(ALTITUDE,),
)
def descent_m(case: Case) -> Value:
    """Give the descent of the profile [m]."""
    climb = _climb(case, case.test)
    return climb if isinstance(climb, Value) else Value(climb.descent_m, n=_count(case))


@metric(
    "elevation",
    title="Own ascent",
    unit="m",
    definition="Total ascent as the device itself gives it; its threshold and smoothing are not "
    "known, so that two devices' totals differ without either being wrong",
    formula="total ascent of the export",
    better="none",
    source=_SOURCE,
    examples=(
        Example({**_HILLY, "header": {"device_ascent_m": 18.0}}, 18.0, "by hand"),
        _NO_HEIGHT,
    ),
    whole_only=True,
)
def ascent_own_m(case: Case) -> Value:
    """Give the device's own ascent [m]."""
    total = case.test.recording.header.device_ascent_m
    return unknown("the export gives no ascent") if total is None else Value(total, n=1)


@metric(
    "elevation",
    title="Own descent",
    unit="m",
    definition="Total descent as the device itself gives it; its threshold and smoothing are not "
    "known",
    formula="total descent of the export",
    better="none",
    source=_SOURCE,
    examples=(
        Example({**_HILLY, "header": {"device_descent_m": 18.0}}, 18.0, "by hand"),
        _NO_HEIGHT,
    ),
    whole_only=True,
)
def descent_own_m(case: Case) -> Value:
    """Give the device's own descent [m]."""
    total = case.test.recording.header.device_descent_m
    return unknown("the export gives no descent") if total is None else Value(total, n=1)


@metric(
    "elevation",
    title="Threshold of the ascent",
    unit="m",
    definition="Threshold with which ascent and descent of this recording were summed; without it "
    "an ascent cannot be compared",
    formula="by where the export says that its heights come from",
    better="none",
    source=_SOURCE,
    examples=(
        Example(_HILLY, 3.0, "methods: 3 m barometric"),
        Example({**_HILLY, "header": {"altitude_kind": "gnss"}}, 10.0, "methods: 10 m GNSS"),
        _NO_HEIGHT,
    ),
    needs=(ALTITUDE,),
    whole_only=True,
)
def ascent_threshold_m(case: Case) -> Value:
    """Give the threshold [m]."""
    if not case.test.has(ALTITUDE):
        return unknown("this recording holds no heights")
    return Value(_choose_threshold(case, case.test), n=1)


@metric(
    "elevation",
    title="Ascent error",
    unit="m",
    definition="Ascent of the profile minus the reference's, both with the threshold of the "
    "coarser of the two over the seconds that both recorded; errors that cancel do not show",
    formula="ascent of the test - ascent of the reference, larger threshold of the two",
    better="zero",
    source=_SOURCE,
    examples=(
        Example(
            {
                "test": {ALTITUDE: [0.0, 12.0, 0.0, 12.0]},
                "reference": {ALTITUDE: [0.0, 10.0, 0.0, 12.0]},
            },
            2.0,
            "by hand: 24 - 22",
        ),
        _NO_HEIGHT,
    ),
    against="altitude",
    needs=(ALTITUDE,),
)
def ascent_error_m(case: Case) -> Value:
    """Give the ascent error [m]."""
    found = _compare_climbs(case)
    if isinstance(found, Value):
        return found
    own, other = found
    return _give(case, own.ascent_m - other.ascent_m)


@metric(
    "elevation",
    title="Ascent error in percent",
    unit="%",
    definition="Ascent error in percent of the reference's ascent; of little meaning where that is "
    "only a few thresholds high",
    formula="100 * (ascent of the test - ascent of the reference) / ascent of the reference",
    better="zero",
    source=_SOURCE,
    examples=(
        Example(
            {
                "test": {ALTITUDE: [0.0, 12.0, 0.0, 12.0]},
                "reference": {ALTITUDE: [0.0, 10.0, 0.0, 10.0]},
            },
            20.0,
            "by hand: 4 of 20",
        ),
        Example(
            {"test": {ALTITUDE: [0.0, 12.0]}, "reference": {ALTITUDE: [0.0, 0.0]}},
            None,
            "a flat reference",
        ),
        _NO_HEIGHT,
    ),
    against="altitude",
    needs=(ALTITUDE,),
)
def ascent_error_pct(case: Case) -> Value:
    """Give the ascent error [%]."""
    found = _compare_climbs(case)
    if isinstance(found, Value):
        return found
    own, other = found
    if other.ascent_m <= 0:
        return unknown("the reference does not climb", n=_count(case))
    return _give(case, _PERCENT * (own.ascent_m - other.ascent_m) / other.ascent_m)


@metric(
    "elevation",
    title="Own ascent against the true one",
    unit="m",
    definition="Ascent that the device itself gives minus the true ascent of the notes; how the "
    "true one was found, and with what threshold, is the tester's knowledge",
    formula="own ascent - ascent of the notes",
    better="zero",
    source=_SOURCE,
    examples=(_NO_HEIGHT,),
    against="truth",
    whole_only=True,
)
def ascent_own_error_m(case: Case) -> Value:
    """Give the error of the device's own ascent [m]."""
    notes = case.workout.notes
    true_ascent = None if notes is None else notes.truth.ascent_m
    if true_ascent is None:
        return unknown("the notes give no true ascent")
    total = case.test.recording.header.device_ascent_m
    if total is None:
        return unknown("the export gives no ascent")
    return Value(total - true_ascent, n=1)


@metric(
    "elevation",
    title="Altitude bias",
    unit="m",
    definition="Mean height minus the reference's; a constant offset of a barometer that nobody "
    "set is most of it, and errors to both sides cancel",
    formula="mean(test - reference)",
    better="zero",
    source=_SOURCE,
    examples=(Example(_WAVY, 7.0, "by hand: mean of 5, 9, 5, 9"), _NO_HEIGHT),
    against="altitude",
    needs=(ALTITUDE,),
)
def altitude_bias_m(case: Case) -> Value:
    """Give the altitude bias [m]."""
    paired = case.paired(ALTITUDE)
    if not paired.n:
        return unknown("in no second both have a height", coverage=paired.coverage)
    return _give(case, float(paired.error.mean()))


@metric(
    "elevation",
    title="Altitude RMS error without the offset",
    unit="m",
    definition="Root of the mean squared height error after its mean is taken off: how well the "
    "shape of the profile is kept, drift included",
    formula="sqrt(mean((error - mean error)^2))",
    better="lower",
    source=_SOURCE,
    examples=(Example(_WAVY, 2.0, "by hand: 2 m about the mean"), _NO_HEIGHT),
    against="altitude",
    needs=(ALTITUDE,),
)
def altitude_rms_m(case: Case) -> Value:
    """Give the RMS error without the offset [m]."""
    paired = case.paired(ALTITUDE)
    if not paired.n:
        return unknown("in no second both have a height", coverage=paired.coverage)
    return _give(case, float(paired.error.std()))


@metric(
    "elevation",
    title="Altitude error without the offset, 95 %",
    unit="m",
    definition="In 95 % of the seconds the height error, its mean taken off, is smaller than this",
    formula="95th percentile of |error - mean error|",
    better="lower",
    source=_SOURCE,
    examples=(Example(_WAVY, 2.0, "by hand: 2 m about the mean"), _NO_HEIGHT),
    against="altitude",
    needs=(ALTITUDE,),
)
def altitude_p95_m(case: Case) -> Value:
    """Give the 95th percentile of the error without the offset [m]."""
    paired = case.paired(ALTITUDE)
    if not paired.n:
        return unknown("in no second both have a height", coverage=paired.coverage)
    return _give(case, float(np.quantile(np.abs(paired.error - paired.error.mean()), _P95)))


@metric(
    "elevation",
    title="Altitude drift",
    unit="m/h",
    definition="How fast the height runs away from the reference's; a change of weather drifts a "
    "barometer by 8 to 9 m per hPa, and a reference that drifts itself shows here too",
    formula="median slope (Theil and Sen) of the error over time, means of 60 s",
    better="zero",
    source="Sen 1968, JASA 63:1379",
    examples=(
        Example(_DRIFTING, 10.0, "by hand: 1 m in 360 s", 1e-6),
        Example(_WAVY, None, "four seconds show no drift"),
        _NO_HEIGHT,
    ),
    against="altitude",
    needs=(ALTITUDE,),
    whole_only=True,
)
def altitude_drift_m_per_h(case: Case) -> Value:
    """Give the drift [m/h]."""
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
    return _give(case, slope * _HOUR_S)


@metric(
    "elevation",
    title="Closure",
    unit="m",
    definition="Height at the end minus height at the start of a workout that ends where it began, "
    "means of 10 s; a drift that goes and comes back does not show",
    formula="mean height of the last 10 s - mean height of the first 10 s",
    better="zero",
    source=_SOURCE,
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
        _NO_HEIGHT,
    ),
    needs=(ALTITUDE,),
    whole_only=True,
)
def altitude_closure_m(case: Case) -> Value:
    """Give the closure of a loop [m]."""
    heights = case.test.values(ALTITUDE)
    known = np.flatnonzero(np.isfinite(heights))
    if known.size < _FEWEST:
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
    definition="Roughness of the recorded profile: the SD about its running mean over 15 s; white "
    "noise comes back with its own SD, slower noise smaller, and steep bends of the ground count",
    formula="SD(e - running mean of w seconds) * sqrt(w / (w - 1))",
    better="lower",
    source=_SOURCE,
    examples=(
        Example(
            {"test": {ALTITUDE: [100.0 + 0.5 * second for second in range(100)]}},
            0.0,
            "by hand: an even slope is its own running mean",
        ),
        _NO_HEIGHT,
    ),
    needs=(ALTITUDE,),
)
def altitude_noise_m(case: Case) -> Value:
    """Give the altitude noise [m]."""
    heights = np.where(case.counted, case.test.values(ALTITUDE), np.nan)
    n = int(np.isfinite(heights).sum())
    rough = compute_rough_sd(heights, width=case.settings.elevation.noise_window_s)
    return Value(rough, n=n) if np.isfinite(rough) else unknown("too few heights", n=n)


@metric(
    "elevation",
    title="Height against pressure, RMS",
    unit="m",
    definition="RMS difference of the recorded height and the height of the recorded pressure in "
    "the standard atmosphere, the mean difference taken off: small where height follows the "
    "barometer, larger where it is corrected by satellites or maps",
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
        _NO_HEIGHT,
    ),
    needs=(ALTITUDE, "pressure_pa"),
)
def altitude_pressure_rms_m(case: Case) -> Value:
    """Give the RMS difference of height and barometric height [m]."""
    off = case.test.values(ALTITUDE) - compute_pressure_altitude_m(case.test.values("pressure_pa"))
    off = off[case.counted & np.isfinite(off)]
    if off.size < _FEWEST:
        return unknown("fewer than two seconds with height and pressure", n=int(off.size))
    return Value(float(off.std()), n=int(off.size))


# --- parts ------------------------------------------------------------------------------------
def _choose_threshold(case: Case, subject: Subject) -> float:
    limits = case.settings.elevation
    kind = subject.recording.header.altitude_kind
    if kind == "barometric":
        return limits.barometric_m
    return limits.gnss_m if kind == "gnss" else limits.unknown_m


def _climb(case: Case, subject: Subject) -> Climb | Value:
    """Sum the climb of the native samples of a recording inside the case."""
    heights = read_floats(subject.recording.samples, ALTITUDE)
    heights = heights[mark_case_samples(case, subject)]
    if not np.isfinite(heights).any():
        return unknown("this recording holds no heights there")
    return accumulate_climb(heights, threshold_m=_choose_threshold(case, subject))


def _compare_climbs(case: Case) -> tuple[Climb, Climb] | Value:
    """Give the climbs of both sides over the seconds that both have, with one threshold."""
    paired = case.paired(ALTITUDE)
    if paired.n < _FEWEST:
        return unknown("fewer than two seconds in which both have a height", n=paired.n)
    threshold = _choose_threshold(case, case.test)
    if case.reference is not None and case.reference.subject is not None:
        threshold = max(threshold, _choose_threshold(case, case.reference.subject))
    return (
        accumulate_climb(paired.test, threshold_m=threshold),
        accumulate_climb(paired.reference, threshold_m=threshold),
    )


def _measure_opening(subject: Subject) -> float | None:
    """Give the distance of the first and last position [m], None without."""
    if subject.recording.header.position_kind == "virtual":
        return None
    latitude, longitude = subject.values("latitude_deg"), subject.values("longitude_deg")
    known = np.flatnonzero(np.isfinite(latitude) & np.isfinite(longitude))
    if known.size < _FEWEST:
        return None
    ends: FloatArray = compute_distances_m(
        latitude[known[:1]], longitude[known[:1]], latitude[known[-1:]], longitude[known[-1:]]
    )
    return float(ends[0])


def _count(case: Case) -> int:
    return int((case.counted & np.isfinite(case.test.values(ALTITUDE))).sum())


def _give(case: Case, value: float) -> Value:
    paired = case.paired(ALTITUDE)
    return Value(value, n=paired.n, coverage=paired.coverage)
