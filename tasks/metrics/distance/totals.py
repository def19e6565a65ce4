"""Distance: the device's own total, its last counter value, and the sum of its fixes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tasks.core.registers import Example, Value, metric, unknown
from tasks.metrics.distance.lengths import (
    DISTANCE,
    NO_DISTANCE,
    count_over_part,
    find_own_distance,
    sum_fixes,
)

if TYPE_CHECKING:
    from tasks.workout.case import Case

#: Geodesic from 0 N 0 E to 0 N 0.01 E on WGS 84: a * 0.01 deg, a = 6378137 m along the equator.
_EQUATOR_STEP_M = 6378137.0 * np.pi / 180.0 * 0.01


@metric(
    "distance",
    title="Own distance",
    unit="m",
    version=3,
    definition="Distance that the device reports: its total, or for a part of a workout the "
    "change of its counter; says nothing about how the device computed it",
    formula="total of the export, else last - first counter value",
    better="none",
    source="common practice, no source",
    examples=(
        Example(
            {"test": {"distance_m": [0.0, 2.5, 5.5]}, "header": {"device_distance_m": 6.0}},
            6.0,
            "by hand: the export's total counts",
        ),
        Example({"test": {"distance_m": [1.0, 2.5, 5.5]}}, 4.5, "by hand: 5.5 - 1.0"),
        Example({"test": {"heart_rate_bpm": [100.0]}}, None, "no distance in the export"),
    ),
)
def distance_own_m(case: Case) -> Value:
    """Return the device's own distance [m]."""
    own = find_own_distance(case, case.test)
    if own is None:
        return unknown(case.test.explain_lack(DISTANCE, otherwise=NO_DISTANCE))
    return Value(own, n=int(case.counted.sum()))


@metric(
    "distance",
    title="Summed distance",
    unit="m",
    version=2,
    definition="Sum of the geodesics between the fixes, without altitude; pauses are not bridged, "
    "and a leg across the end of a part counts by its time; grows with noise and shrinks with "
    "sparse fixes, so it is not more accurate than the device's own distance",
    formula="sum of WGS 84 geodesics between consecutive fixes",
    better="none",
    source="Karney 2013, Algorithms for geodesics, J. Geodesy 87, 43-55 (through PROJ)",
    examples=(
        Example(
            {"test": {"latitude_deg": [0.0, 0.0, 0.0], "longitude_deg": [0.0, 0.01, 0.02]}},
            2 * _EQUATOR_STEP_M,
            "by hand: arc of the equator, a * angle",
            tolerance=1e-6,
        ),
        Example({"test": {"heart_rate_bpm": [100.0]}}, None, "no positions"),
    ),
    needs=("latitude_deg", "longitude_deg"),
)
def distance_summed_m(case: Case) -> Value:
    """Return the length of the path through the fixes [m]."""
    found = sum_fixes(case)
    return found if isinstance(found, Value) else Value(found.length_m, n=found.n)


@metric(
    "distance",
    title="Last counter value",
    unit="m",
    version=3,
    definition="Last value of the distance counter of the samples, less the first one over a part "
    "of a workout; differs from the export's total where that was corrected or cut",
    formula="last counter value, or last - first over a part",
    better="none",
    source="common practice, no source",
    examples=(
        Example(
            {"test": {"distance_m": [1.0, 2.5, 5.5]}, "header": {"device_distance_m": 6.0}},
            5.5,
            "by hand: the last value",
        ),
        Example({"test": {"heart_rate_bpm": [100.0]}}, None, "no counter"),
    ),
    needs=("distance_m",),
)
def distance_counter_m(case: Case) -> Value:
    """Return the last counter value [m]."""
    counter = case.test.values("distance_m")
    known = counter[case.segment.mask & np.isfinite(counter)]
    if not known.size:
        return unknown("the export gives no distance counter")
    over_part = count_over_part(case, counter)
    is_whole = case.segment.name == "all" or over_part is None
    return Value(float(known[-1]) if is_whole else over_part, n=known.size)


@metric(
    "distance",
    title="Own over summed distance",
    unit="1",
    version=3,
    definition="Own distance divided by the sum of the fixes: below 1 where the device smooths "
    "its track before it counts, any value where another sensor counts; does not say which is "
    "right",
    formula="own distance / sum of geodesics between fixes",
    better="none",
    source="common practice, no source",
    examples=(
        Example(
            {
                "test": {"latitude_deg": [0.0, 0.0], "longitude_deg": [0.0, 0.01]},
                "header": {"device_distance_m": _EQUATOR_STEP_M / 2},
            },
            0.5,
            "by hand: half the arc",
        ),
        Example({"test": {"heart_rate_bpm": [100.0]}}, None, "no positions"),
    ),
    needs=("latitude_deg", "longitude_deg"),
)
def distance_own_ratio(case: Case) -> Value:
    """Return own over summed distance."""
    own = find_own_distance(case, case.test)
    if own is None:
        return unknown(case.test.explain_lack(DISTANCE, otherwise=NO_DISTANCE))
    summed = sum_fixes(case)
    if isinstance(summed, Value):
        return summed
    if summed.length_m <= 0:
        return unknown("all fixes are at one place", n=summed.n)
    return Value(own / summed.length_m, n=summed.n)
