"""Distances of a recording and of what it is held against."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Value, unknown
from tasks.maths.geodesy import compute_leg_lengths
from tasks.tracks import explain_no_positions, get_fixes, get_match, mark_case

if TYPE_CHECKING:
    from tasks.case import Case, Subject

DISTANCE: Final = "distance_m"
_FEWEST: Final = 2


@dataclass(frozen=True)
class Summed:
    """Length of the path through fixes [m], and how many they are."""

    length_m: float
    n: int


@dataclass(frozen=True)
class ComparedDistances:
    """A distance of the test and that of the reference over the same way [m].

    ``n`` is the seconds compared.
    """

    test_m: float
    reference_m: float
    n: int
    coverage: float | None = None

    @property
    def error_m(self) -> float:
        """Test minus reference."""
        return self.test_m - self.reference_m

    def give(self, value: float) -> Value:
        """Wrap a value with n and coverage."""
        return Value(value, n=self.n, coverage=self.coverage)


def find_own_distance(case: Case, subject: Subject) -> float | None:
    """Give the device's own distance [m]: the export's total, else what its counter counted."""
    total = subject.recording.header.device_distance_m
    if case.segment.name == "all" and total is not None:
        return total
    counter = subject.values(DISTANCE)[case.segment.mask]
    counter = counter[np.isfinite(counter)]
    return float(counter[-1] - counter[0]) if len(counter) else None


def sum_fixes(case: Case) -> Summed | Value:
    """Sum the geodesics between the fixes of each piece, or say why there is nothing to sum."""
    reason = explain_no_positions(case)
    if reason is not None:
        return unknown(reason)
    fixes = get_fixes(case.workout, case.test)
    whole = case.segment.name == "all"
    inside = np.ones(fixes.n, dtype=np.bool_) if whole else mark_case(case, fixes)
    if inside.sum() < _FEWEST:
        return unknown("fewer than two fixes", n=int(inside.sum()))
    legs = compute_leg_lengths(fixes.latitude_deg[inside], fixes.longitude_deg[inside])
    return Summed(float(legs[np.diff(fixes.piece[inside]) == 0].sum()), int(inside.sum()))


def compare_own(case: Case) -> ComparedDistances | Value:
    """Give the device's own distance beside the reference's, or why they cannot be compared."""
    return case.once("distance:own", lambda: _compare(case, summed=False))


def compare_summed(case: Case) -> ComparedDistances | Value:
    """Give the sum of the fixes beside the reference's distance, or why there is none."""
    return case.once("distance:summed", lambda: _compare(case, summed=True))


def _compare(case: Case, *, summed: bool) -> ComparedDistances | Value:
    reference = case.reference
    if reference is None:
        return unknown("there is nothing to compare with")
    if reference.name == "truth":
        return _compare_with_truth(case, summed=summed)
    if reference.name.startswith("course:"):
        return _compare_with_course(case, summed=summed)
    return _compare_with_device(case, summed=summed)


def _compare_with_truth(case: Case, *, summed: bool) -> ComparedDistances | Value:
    true_distance = _find_true_distance(case)
    if true_distance is None:
        return unknown("the notes give no true distance for this part")
    n = int(case.counted.sum())
    if not summed:
        own = find_own_distance(case, case.test)
        if own is None:
            return unknown("the export gives no distance")
        return ComparedDistances(own, true_distance, n)
    found = sum_fixes(case)
    if isinstance(found, Value):
        return found
    return ComparedDistances(found.length_m, true_distance, n)


def _find_true_distance(case: Case) -> float | None:
    notes = case.workout.notes
    if notes is None:
        return None
    if case.segment.name == "all":
        return notes.truth.known_distance_m
    named = {part.name: part.distance_m for part in notes.segments}
    return named.get(case.segment.name)


def _compare_with_course(case: Case, *, summed: bool) -> ComparedDistances | Value:
    """Hold the way between the first and the last fix on the course against the course's own.

    The fixes before the course is reached and after it is left belong to neither side.
    """
    reason = explain_no_positions(case)
    if reason is not None:
        return unknown(reason)
    match = get_match(case)
    if match is None:
        return unknown("the course has no length")
    chosen = np.flatnonzero(mark_case(case, match.fixes) & match.is_scored)
    if chosen.size < _FEWEST:
        return unknown("fewer than two fixes lie on the course")
    first, last = int(chosen[0]), int(chosen[-1])
    along = match.matched.along_m
    course = float(along[last] - along[first])
    fixes = match.fixes
    seconds = int(fixes.second[last] - fixes.second[first])
    if summed:
        part = slice(first, last + 1)
        legs = compute_leg_lengths(fixes.latitude_deg[part], fixes.longitude_deg[part])
        own = float(legs[np.diff(fixes.piece[part]) == 0].sum())
        return ComparedDistances(own, course, seconds)
    counter = case.test.values(DISTANCE)[fixes.second[first] : fixes.second[last] + 1]
    known = counter[np.isfinite(counter)]
    if known.size < _FEWEST:
        return unknown("the export gives no distance counter along the course")
    return ComparedDistances(float(known[-1] - known[0]), course, seconds)


def _compare_with_device(case: Case, *, summed: bool) -> ComparedDistances | Value:
    """Hold a device's counter against the other's over the time that both recorded.

    A reference without a counter counts by its fixes; a test without one has no own distance.
    """
    reason = explain_no_positions(case) if summed else None
    if not summed and not case.test.has(DISTANCE):
        reason = "the export gives no distance"
    if reason is not None:
        return unknown(reason)
    return _hold_sum_against(case) if summed else _hold_counter_against(case)


def _hold_counter_against(case: Case) -> ComparedDistances | Value:
    paired = case.paired(DISTANCE)
    if paired.n < _FEWEST:
        return unknown("fewer than two seconds in which both gave a distance", n=paired.n)
    return ComparedDistances(
        float(paired.test[-1] - paired.test[0]),
        float(paired.reference[-1] - paired.reference[0]),
        paired.n,
        paired.coverage,
    )


def _hold_sum_against(case: Case) -> ComparedDistances | Value:
    reference = None if case.reference is None else case.reference.values(DISTANCE)
    if reference is None or not np.isfinite(reference).any():
        return unknown("the reference gives no distance")
    fixes = get_fixes(case.workout, case.test)
    inside = mark_case(case, fixes)
    if fixes.n:
        inside &= np.isfinite(reference[fixes.second])
    chosen = np.flatnonzero(inside)
    if chosen.size < _FEWEST:
        return unknown("fewer than two fixes in the seconds in which the reference has a distance")
    legs = compute_leg_lengths(fixes.latitude_deg[chosen], fixes.longitude_deg[chosen])
    own = float(legs[np.diff(fixes.piece[chosen]) == 0].sum())
    ends = reference[fixes.second[chosen[[0, -1]]]]
    seconds = int(fixes.second[chosen[-1]] - fixes.second[chosen[0]])
    return ComparedDistances(own, float(ends[1] - ends[0]), seconds)
