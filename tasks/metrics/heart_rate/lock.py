"""When heart rate locks on: the first lasting agreement with the reference."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Finding, Value, finding, metric, segmenter
from tasks.maths.change_points import estimate_slow_spread
from tasks.maths.runs import Run, find_first_lasting, find_run_edges, mark_runs
from tasks.metrics.heart_rate.cadence import find_locked_runs
from tasks.metrics.heart_rate.compared import compare_heart_rates, get_series, name_comparison
from tasks.metrics.heart_rate.constant_bias import find_constant_bias
from tasks.metrics.heart_rate.reference import HEART_RATE
from tasks.workout.case import Segment

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray, FloatArray
    from tasks.workout.case import Case

_PERCENT: Final = 100.0
#: Devices that record as they see fit leave up to this between two samples [s].
_LONGEST_STEP_S: Final = 10
#: Share of a time that must be so before it is said of the whole of it.
_EXPLAINED_SHARE: Final = 0.5
#: So many SD of the smoothed error are no error of a lock.
_SPREADS: Final = 4.0


@metric(
    "heart_rate",
    title="Time to lock",
    unit="s",
    definition="Time from the first second in which the device records and the reference has a "
    "heart rate until the error begins to stay within the lock limits for the hold time; gaps of "
    "at most 10 s do not interrupt it; agreement by chance for that long counts as lock",
    formula="first t with |e| <= max(lock_bpm, lock_pct % of reference) from t for lock_hold_s",
    better="lower",
    source="common practice, no source",
    examples=(
        Example(
            {
                "test": {HEART_RATE: [70] * 12 + [118] * 25},
                "reference": {HEART_RATE: [120] * 37},
            },
            12.0,
            "by hand: 12 s too low, then within 5 bpm or 5 % (6 bpm)",
        ),
        Example(
            {
                "test": {HEART_RATE: [120] * 10 + [80] * 5 + [None] * 5 + [120] * 20},
                "reference": {HEART_RATE: [120] * 40},
            },
            20.0,
            "by hand: the first ten seconds do not last",
        ),
        Example(
            {
                "test": {HEART_RATE: ([80] + [None] * 8) * 2 + ([120] + [None] * 8) * 3},
                "reference": {HEART_RATE: [120] * 45},
            },
            None,
            "by hand: a sample every 9 s, three of them right; 18 s of 20 are seen to hold",
        ),
        Example(
            {
                "test": {HEART_RATE: ([80] + [None] * 8) * 2 + ([120] + [None] * 8) * 4},
                "reference": {HEART_RATE: [120] * 54},
            },
            18.0,
            "by hand: a sample every 9 s; right from the third one on",
        ),
        Example(
            {"test": {HEART_RATE: [80] * 40}, "reference": {HEART_RATE: [120] * 40}},
            None,
            "never locks",
        ),
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    whole_only=True,
    level="primary",
)
def hr_lock_s(case: Case) -> Value:
    """Return the time to lock [s]."""
    compared = compare_heart_rates(case)
    begin, locked = find_lock(case)
    if begin is None:
        return compared.decline("the device records in no second with a reference heart rate")
    if locked is None:
        hold = case.settings.heart_rate.lock_hold_s
        return compared.decline(f"heart rate never stays within the lock limits for {hold:g} s")
    return compared.make_value(float(locked - begin))


@segmenter("heart_rate")
def after_lock(case: Case) -> list[Segment]:
    """Cut off what came before the lock; without a lock there is no such part."""
    _, locked = find_lock(case)
    if locked is None:
        return []
    later = np.arange(case.segment.mask.size) >= locked
    return [Segment("after_lock", case.segment.mask & later)]


@finding(
    "late_lock",
    domain="heart_rate",
    title="Late lock",
    unit="s",
    definition="Heart rate locks later than late_lock_s, or never, after a constant bias is "
    "removed; half of the time before it is beyond the lock limits and the mean size of its error "
    "beyond four times the usual scatter, and no cadence lock explains it; the size is "
    "the time that it took, or the whole time where it never did",
    version=2,
    source="common practice, no source",
    against="heart_rate",
    needs=(HEART_RATE,),
)
def find_late_lock(case: Case) -> list[Finding]:
    """Return the late lock, if it was one."""
    run = find_late_run(case)
    if run is None:
        return []
    locked_runs = mark_runs(find_locked_runs(case), case.segment.mask.size)
    if locked_runs[run.start : run.end].mean() >= _EXPLAINED_SHARE:
        return []
    _, locked = find_lock(case)
    early = get_series(case).error[run.start : run.end]
    early = early[np.isfinite(early)]
    note = "never locks" if locked is None else ""
    if early.size:
        note = f"{note}, " if note else ""
        note += f"mean error before it {early.mean():+.0f} bpm"
    start_s = case.workout.grid.start_s
    return [Finding(start_s + run.start, start_s + run.end, float(run.length), note)]


def find_late_run(case: Case) -> Run | None:
    """Return the time before a late lock, apart from a constant bias; None where it is not late."""
    key = f"heart_rate:late:{name_comparison(case)}"
    return case.once_per_workout(key, lambda: _find_late_run(case))


def _find_late_run(case: Case) -> Run | None:
    error = get_series(case).error - (find_constant_bias(case) or 0.0)
    holds, begin = _mark_holds(case, error)
    known = np.flatnonzero(np.isfinite(get_series(case).error))
    if begin is None or not known.size:
        return None
    limits = case.settings.heart_rate
    locked = find_first_lasting(holds, lasting=round(limits.lock_hold_s))
    run = Run(begin, int(known[-1]) + 1 if locked is None else locked)
    inside = known[(known >= run.start) & (known < run.end)]
    # An error that is unsteady, and small now and then, is no lock that is late.
    is_off = not inside.size or (
        float(np.mean(~holds[inside])) >= _EXPLAINED_SHARE
        and float(np.mean(np.abs(error[inside]))) > _SPREADS * _estimate_spread(case)
    )
    return run if run.length > limits.late_lock_s and is_off else None


def find_lock(case: Case) -> tuple[int | None, int | None]:
    """Return the grid index from which lock time counts and that of the lock, None if never."""
    key = f"heart_rate:lock:{name_comparison(case)}"
    return case.once_per_workout(key, lambda: _find_lock(case))


def mark_before_lock(case: Case) -> BoolArray:
    """Mark the grid seconds before the lock; all of them where there is none."""
    index = np.arange(case.segment.mask.size)
    _, locked = find_lock(case)
    before: BoolArray = index < (index.size if locked is None else locked)
    return before


def _estimate_spread(case: Case) -> float:
    """Return the usual scatter of the smoothed error [bpm], 0 where it is unknown."""
    window = round(case.settings.heart_rate.biased_window_s)
    return float(np.nan_to_num(estimate_slow_spread(get_series(case).error, window=window)))


def _find_lock(case: Case) -> tuple[int | None, int | None]:
    holds, begin = _mark_holds(case, get_series(case).error)
    if begin is None:
        return None, None
    return begin, find_first_lasting(holds, lasting=round(case.settings.heart_rate.lock_hold_s))


def _mark_holds(case: Case, error: FloatArray) -> tuple[BoolArray, int | None]:
    """Mark the seconds within the lock limits; return them and the first second that counts."""
    limits = case.settings.heart_rate
    reference = get_series(case).reference
    both = np.flatnonzero(case.test.covered & np.isfinite(reference))
    allowed = np.maximum(limits.lock_bpm, limits.lock_pct / _PERCENT * reference)
    with np.errstate(invalid="ignore"):
        holds = np.abs(error) <= allowed
    holds |= _mark_between_samples(holds, np.isfinite(error))
    return holds, int(both[0]) if both.size else None


def _mark_between_samples(holds: BoolArray, known: BoolArray) -> BoolArray:
    """Mark short gaps whose neighbours both hold: devices that record every few seconds."""
    marked = np.zeros(holds.size, dtype=np.bool_)
    starts, ends = find_run_edges(~known)
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        is_inside = start > 0 and end < holds.size and end - start <= _LONGEST_STEP_S
        marked[start:end] = is_inside and holds[start - 1] and holds[end]
    return marked
