"""Distance: the device's own total, the sum of its fixes, and the error of the own total."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tasks.core.registers import Example, Value, metric, unknown
from tasks.maths.geodesy import compute_leg_lengths
from tasks.tables.arrow import read_floats, read_seconds

if TYPE_CHECKING:
    from tasks.case import Case, Subject

#: Geodesic from 0 N 0 E to 0 N 0.01 E on WGS 84: a * 0.01 deg, a = 6378137 m along the equator.
_EQUATOR_STEP_M = 6378137.0 * np.pi / 180.0 * 0.01


@metric(
    "distance",
    title="Own distance",
    unit="m",
    definition="Distance that the device itself gives: its total, or over a part of a workout the "
    "difference of its counter; says nothing of how the device came to it",
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
    """Give the device's own distance [m]."""
    own = _find_own_distance(case, case.test)
    if own is None:
        return unknown("the export gives no distance")
    return Value(own, n=int(case.counted.sum()))


@metric(
    "distance",
    title="Summed distance",
    unit="m",
    definition="Sum of the geodesics between the fixes of each piece, without altitude; grows with "
    "noise and shrinks with sparse fixes, so it is no better truth than the own distance",
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
    """Give the length of the path through the fixes [m]."""
    if case.test.recording.header.position_kind == "virtual":
        return unknown("the positions are those of a virtual ride")
    samples = case.test.recording.samples
    seconds = read_seconds(samples) + case.test.alignment.offset_s
    latitude, longitude = (
        read_floats(samples, "latitude_deg"),
        read_floats(samples, "longitude_deg"),
    )
    piece = np.nan_to_num(read_floats(samples, "piece"))
    kept = np.isfinite(latitude) & np.isfinite(longitude) & _mark_inside(case, seconds)
    latitude, longitude, piece = latitude[kept], longitude[kept], piece[kept]
    if len(latitude) < 2:  # noqa: PLR2004 - a path has two ends
        return unknown("fewer than two fixes", n=len(latitude))
    legs = compute_leg_lengths(latitude, longitude)
    total = legs[np.diff(piece) == 0].sum()
    return Value(float(total), n=len(latitude))


@metric(
    "distance",
    title="Distance error",
    unit="m",
    definition="Own distance minus the reference's: against the truth of the notes over the whole "
    "recording, against a device over the time that both recorded; errors to both sides cancel",
    formula="own distance - reference distance",
    better="zero",
    source="common practice, no source",
    examples=(
        Example(
            {
                "test": {"distance_m": [0.0, 10.0, 20.0]},
                "reference": {"distance_m": [0.0, 9.0, 19.0]},
            },
            1.0,
            "by hand: 20 - 19",
        ),
        Example(
            {"test": {"distance_m": [0.0, 10.0]}, "reference": {"heart_rate_bpm": [1.0, 1.0]}},
            None,
            "the reference has no distance",
        ),
    ),
    against="distance",
)
def distance_error_m(case: Case) -> Value:
    """Give the error of the own distance [m]."""
    found = _compare_distances(case)
    if isinstance(found, Value):
        return found
    own, reference = found
    return Value(own - reference, n=int(case.counted.sum()))


@metric(
    "distance",
    title="Distance error in percent",
    unit="%",
    definition="Distance error in percent of the reference's distance; small errors of short "
    "distances weigh as much as large ones of long distances",
    formula="100 * (own distance - reference distance) / reference distance",
    better="zero",
    source="common practice, no source",
    examples=(
        Example(
            {
                "test": {"distance_m": [0.0, 10.0, 20.0]},
                "reference": {"distance_m": [0.0, 9.0, 16.0]},
            },
            25.0,
            "by hand: 4 of 16",
        ),
    ),
    against="distance",
)
def distance_error_pct(case: Case) -> Value:
    """Give the error of the own distance [%]."""
    found = _compare_distances(case)
    if isinstance(found, Value):
        return found
    own, reference = found
    if reference <= 0.0:
        return unknown("the reference distance is zero")
    return Value(100.0 * (own - reference) / reference, n=int(case.counted.sum()))


def _compare_distances(case: Case) -> tuple[float, float] | Value:
    """Give own and reference distance [m], or why they cannot be compared."""
    reference = case.reference
    if reference is None:
        return unknown("there is nothing to compare with")
    if reference.name == "truth":
        true_distance = _find_true_distance(case)
        if true_distance is None:
            return unknown("the notes give no true distance for this part")
        own = _find_own_distance(case, case.test)
        if own is None:
            return unknown("the export gives no distance")
        return own, true_distance
    paired = case.paired("distance_m")
    if paired.n < 2:  # noqa: PLR2004 - a distance has two ends
        return unknown("fewer than two seconds in which both gave a distance", n=paired.n)
    own = float(paired.test[-1] - paired.test[0])
    return own, float(paired.reference[-1] - paired.reference[0])


def _find_true_distance(case: Case) -> float | None:
    notes = case.workout.notes
    if notes is None:
        return None
    if case.segment.name == "all":
        return notes.truth.known_distance_m
    named = {part.name: part.distance_m for part in notes.segments}
    return named.get(case.segment.name)


def _find_own_distance(case: Case, subject: Subject) -> float | None:
    total = subject.recording.header.device_distance_m
    if case.segment.name == "all" and total is not None:
        return total
    counter = subject.values("distance_m")[case.segment.mask]
    counter = counter[np.isfinite(counter)]
    return float(counter[-1] - counter[0]) if len(counter) else None


def _mark_inside(case: Case, seconds: np.ndarray) -> np.ndarray:
    """Mark the samples whose second belongs to the segment; the whole takes every sample."""
    if case.segment.name == "all":
        return np.ones(len(seconds), dtype=np.bool_)
    index = np.round(seconds - case.workout.grid.start_s).astype(np.int64)
    inside = (index >= 0) & (index < case.workout.grid.n_seconds)
    inside[inside] = case.segment.mask[index[inside]]
    return inside
