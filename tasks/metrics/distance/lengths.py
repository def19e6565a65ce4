"""Distances of a recording and of what it is compared with."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Value, unknown
from tasks.maths.geodesy import compute_leg_lengths
from tasks.maths.runs import Run, find_runs
from tasks.workout.tracks import explain_no_positions, get_fixes, get_match, mark_case

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray, FloatArray
    from tasks.workout.case import Case, Subject

DISTANCE: Final = "distance_m"
NO_DISTANCE: Final = "the export gives no distance"
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

    def make_value(self, value: float) -> Value:
        """Wrap a value with n and coverage."""
        return Value(value, n=self.n, coverage=self.coverage)


def find_own_distance(case: Case, subject: Subject) -> float | None:
    """Return the device's own distance [m]: the export's total, else what its counter counted."""
    total = subject.recording.header.device_distance_m
    if case.segment.name == "all" and total is not None:
        return total
    return count_over_part(case, subject.values(DISTANCE))


def count_over_part(case: Case, counter_m: FloatArray) -> float | None:
    """Return what a counter on the grid counted over the segment [m]; None where it has no value.

    A part lasts until the instant in which the first second after it begins, so that the parts
    of a workout add up to the whole.
    """
    counted = [
        value for run in _list_stretches(case, pauses=None) if (value := _differ(counter_m, run))
    ]
    if not counted and not np.isfinite(counter_m[case.segment.mask]).any():
        return None
    return float(sum(counted))


def sum_fixes(case: Case) -> Summed | Value:
    """Sum the geodesics between fixes, pauses not bridged, or say why there is nothing to sum.

    A leg that a part ends in counts for the share of its time that lies in the part.
    """
    reason = explain_no_positions(case)
    if reason is not None:
        return unknown(reason)
    fixes = get_fixes(case.workout, case.test)
    whole = case.segment.name == "all"
    inside = np.ones(fixes.n, dtype=np.bool_) if whole else mark_case(case, fixes)
    n = int(inside.sum())
    if n < _FEWEST:
        return unknown("fewer than two fixes", n=n)
    way = _find_way(case)
    return Summed(float(way[-1]) if whole else count_over_part(case, _grid_way(case)) or 0.0, n)


def compare_own(case: Case) -> ComparedDistances | Value:
    """Return the device's own distance beside the reference's, or why they cannot be compared."""
    return case.once("distance:own", lambda: _compare(case, summed=False))


def compare_summed(case: Case) -> ComparedDistances | Value:
    """Return the sum of the fixes beside the reference's distance, or why there is none."""
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
            return unknown(case.test.explain_lack(DISTANCE, otherwise=NO_DISTANCE))
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

    The fixes before the course is reached and after it is left belong to neither side, and what
    was passed during a pause to neither.
    """
    reason = explain_no_positions(case)
    if reason is not None:
        return unknown(reason)
    match = get_match(case)
    if match is None:
        return unknown("the course has no length")
    fixes = match.fixes
    chosen = np.flatnonzero(mark_case(case, fixes) & match.is_scored)
    if chosen.size < _FEWEST:
        return unknown("fewer than two fixes lie on the course")
    own_m = _find_way(case) if summed else case.test.values(DISTANCE)[fixes.second]
    chosen = chosen[np.isfinite(own_m[chosen])]
    if chosen.size < _FEWEST:
        return unknown(
            case.test.explain_lack(
                DISTANCE, otherwise="the export gives no distance counter along the course"
            )
        )
    paused_before = np.cumsum(case.test.paused)[fixes.second[chosen]]
    legs = np.diff(paused_before) == 0
    own = np.diff(own_m[chosen])[legs].sum()
    course = np.diff(match.matched.along_m[chosen])[legs].sum()
    seconds = np.diff(fixes.second[chosen])[legs].sum()
    return ComparedDistances(float(own), float(course), int(seconds))


def _compare_with_device(case: Case, *, summed: bool) -> ComparedDistances | Value:
    """Hold a device's counter against the other's over the time that both recorded.

    A reference without a counter counts by its fixes; a test without one has no own distance.
    """
    reason = explain_no_positions(case) if summed else None
    if not summed and not case.test.has(DISTANCE):
        reason = case.test.explain_lack(DISTANCE, otherwise=NO_DISTANCE)
    if reason is not None:
        return unknown(reason)
    reference_m = None if case.reference is None else case.reference.values(DISTANCE)
    if reference_m is None or not np.isfinite(reference_m).any():
        return unknown("the reference gives no distance")
    own_m = _grid_way(case) if summed else case.test.values(DISTANCE)
    has_reference = case.counted & np.isfinite(reference_m)
    both = np.isfinite(own_m) & np.isfinite(reference_m)
    n = int((case.counted & both).sum())
    if n < _FEWEST:
        what = "has a position and the other a distance" if summed else "gave a distance"
        return unknown(f"fewer than two seconds in which one {what}", n=n)
    pauses = case.test.paused
    if case.reference is not None and case.reference.paused is not None:
        pauses = pauses | case.reference.paused
    stretches = _list_stretches(case, pauses=pauses)
    own_m, reference_m = np.where(both, own_m, np.nan), np.where(both, reference_m, np.nan)
    return ComparedDistances(
        sum(_differ(own_m, run) for run in stretches),
        sum(_differ(reference_m, run) for run in stretches),
        n,
        n / int(has_reference.sum()),
    )


def _list_stretches(case: Case, *, pauses: BoolArray | None) -> list[Run]:
    """Return the stretches of the segment between pauses, with the instants that end them.

    A part goes on to the begin of the second after it; a pause ends a stretch at once, since the
    second of the stop itself still counts.
    """
    counted = case.segment.mask if pauses is None else case.segment.mask & ~pauses
    n = counted.size
    stretches = []
    for run in find_runs(counted):
        goes_on = run.end < n and (pauses is None or not pauses[run.end])
        stretches.append(Run(run.start, run.end + goes_on))
    return stretches


def _differ(counter_m: FloatArray, run: Run) -> float:
    """Return last minus first known value of a stretch; 0 where fewer than two are known."""
    counter = counter_m[run.start : run.end]
    known = counter[np.isfinite(counter)]
    return float(known[-1] - known[0]) if known.size else 0.0


def _find_way(case: Case) -> FloatArray:
    """Return way up to each fix [m], (n_fixes,), found once; what a pause hides is not in it."""
    return case.once_per_workout(
        f"distance:way:{case.test.recording_id}", lambda: _add_up_legs(case)
    )


def _add_up_legs(case: Case) -> FloatArray:
    fixes = get_fixes(case.workout, case.test)
    legs = compute_leg_lengths(fixes.latitude_deg, fixes.longitude_deg)
    # Some exports begin a new piece at every lap: without a second between there was no pause.
    is_pause = (np.diff(fixes.piece) != 0) & (np.diff(fixes.second) > 1)
    way: FloatArray = np.concatenate([[0.0], np.cumsum(np.where(is_pause, 0.0, legs))])
    return way[: fixes.n]


def _grid_way(case: Case) -> FloatArray:
    """Return the way on the grid [m], (n_seconds,), NaN before the first and after the last fix."""
    fixes = get_fixes(case.workout, case.test)
    way = np.full(case.workout.grid.n_seconds, np.nan)
    if fixes.n:
        between = slice(int(fixes.second[0]), int(fixes.second[-1]) + 1)
        seconds = case.workout.grid.seconds[between]
        way[between] = np.interp(seconds, fixes.seconds, _find_way(case))
    return way
