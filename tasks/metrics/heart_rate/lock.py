"""When heart rate locks on: the first lasting agreement with the reference."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Finding, Value, finding, metric, segmenter
from tasks.maths.runs import find_first_lasting, find_run_edges
from tasks.metrics.heart_rate.compared import compare_heart_rates, get_series, name_comparison
from tasks.metrics.heart_rate.reference import HEART_RATE
from tasks.workout.case import Segment

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray
    from tasks.workout.case import Case

_PERCENT: Final = 100.0
#: Devices that record as they see fit leave up to this between two samples [s].
_LONGEST_STEP_S: Final = 10


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
    return compared.give(float(locked - begin))


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
    definition="Heart rate locks later than late_lock_s, or never; the size is the time that it "
    "took, or the whole time where it never did",
    source="common practice, no source",
    against="heart_rate",
    needs=(HEART_RATE,),
)
def find_late_lock(case: Case) -> list[Finding]:
    """Return the late lock, if it was one."""
    begin, locked = find_lock(case)
    if begin is None:
        return []
    known = np.flatnonzero(np.isfinite(get_series(case).error))
    if not known.size:
        return []
    end = int(known[-1]) + 1 if locked is None else locked
    if end - begin <= case.settings.heart_rate.late_lock_s:
        return []
    early = get_series(case).error[begin:end]
    early = early[np.isfinite(early)]
    note = "never locks" if locked is None else ""
    if early.size:
        note = f"{note}, " if note else ""
        note += f"mean error before it {early.mean():+.0f} bpm"
    start_s = case.workout.grid.start_s
    return [Finding(start_s + begin, start_s + end, float(end - begin), note)]


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


def _find_lock(case: Case) -> tuple[int | None, int | None]:
    limits = case.settings.heart_rate
    series = get_series(case)
    both = np.flatnonzero(case.test.covered & np.isfinite(series.reference))
    if not both.size:
        return None, None
    allowed = np.maximum(limits.lock_bpm, limits.lock_pct / _PERCENT * series.reference)
    with np.errstate(invalid="ignore"):
        holds = np.abs(series.error) <= allowed
    holds |= _mark_between_samples(holds, np.isfinite(series.error))
    return int(both[0]), find_first_lasting(holds, lasting=round(limits.lock_hold_s))


def _mark_between_samples(holds: BoolArray, known: BoolArray) -> BoolArray:
    """Mark short gaps whose neighbours both hold: devices that record every few seconds."""
    marked = np.zeros(holds.size, dtype=np.bool_)
    starts, ends = find_run_edges(~known)
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        is_inside = start > 0 and end < holds.size and end - start <= _LONGEST_STEP_S
        marked[start:end] = is_inside and holds[start - 1] and holds[end]
    return marked
