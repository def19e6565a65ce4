"""Biased stretches and missed rises, each stretch of a heart rate reported once, with its cause.

Cadence lock and a frozen value are causes and go first, then a missed rise, then the plain bias.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Finding, finding
from tasks.maths.runs import Run, find_runs, mark_runs
from tasks.maths.smoothing import compute_running_mean
from tasks.metrics.heart_rate.bias import (
    BIAS_SOURCE,
    find_biased_runs,
    is_biased,
)
from tasks.metrics.heart_rate.bias import (
    SPREADS as BIAS_SPREADS,
)
from tasks.metrics.heart_rate.cadence import find_locked_runs, find_near_runs
from tasks.metrics.heart_rate.compared import describe_errors, get_series
from tasks.metrics.heart_rate.constant_bias import find_constant_bias
from tasks.metrics.heart_rate.gaps import find_frozen_stretches
from tasks.metrics.heart_rate.reference import HEART_RATE
from tasks.metrics.heart_rate.response import (
    LONGEST_MISS_S,
    SPREADS,
    find_miss_span,
    find_missed,
)

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray
    from tasks.maths.rises import Following
    from tasks.workout.case import Case

_SMOOTH_S: Final = 5
#: The largest error is read at this quantile: the extreme itself is the largest noise as well.
_LARGEST: Final = 0.1
#: Share of a time that must be so before it is said of the whole of it.
_EXPLAINED_SHARE: Final = 0.5
#: A bias that begins so long before a rise is no missed rise [s].
_EARLY_S: Final = 10


@finding(
    "biased_stretch",
    domain="heart_rate",
    title="Biased interval",
    unit="bpm",
    definition="The error, smoothed over biased_window_s, stays beyond biased_bpm, and beyond "
    f"{BIAS_SPREADS:g} times its usual scatter, to one side for at least biased_s, after the lock; "
    "a constant bias is one stretch; without what a cadence lock, a frozen value or a missed rise "
    "tells; the size is its mean error",
    version=2,
    source=BIAS_SOURCE,
    against="heart_rate",
    needs=(HEART_RATE,),
)
def find_biased_stretches(case: Case) -> list[Finding]:
    """Return the biased stretches."""
    return describe_errors(case, _list_unexplained(case), lambda run: _describe(case, run))


@finding(
    "missed_rise",
    domain="heart_rate",
    title="Missed rise",
    unit="bpm",
    definition="The reference rises by at least rise_bpm and the device lacks more than "
    f"missed_share of it, and more than {SPREADS:g} times its usual scatter, at the end; lasts "
    "until the device has caught up half of it or the reference has come down by half, at most "
    f"{LONGEST_MISS_S:g} s after the rise; a cadence lock or a frozen value tells it instead; the "
    "size is the largest error meanwhile (its tenth percentile), after a constant bias before the "
    "rise is removed",
    version=2,
    source="common practice, no source",
    against="heart_rate",
    needs=(HEART_RATE,),
)
def find_missed_rises(case: Case) -> list[Finding]:
    """Return the missed rises."""
    start_s = case.workout.grid.start_s
    found = []
    for each, run in _list_missed(case):
        error = get_series(case).error[run.start : run.end]
        error = compute_running_mean(error, width=_SMOOTH_S)
        present = error[np.isfinite(error)]
        size = None
        if present.size:
            size = float(np.quantile(present, _LARGEST)) - each.offset
        note = f"the reference rose by {each.rise.size:.0f} bpm"
        found.append(Finding(start_s + run.start, start_s + run.end, size, note))
    return found


def _list_missed(case: Case) -> list[tuple[Following, Run]]:
    """Return the missed rises, and when, that neither a cause nor an earlier bias explains."""
    explained = _mark_causes(case)
    biased = find_biased_runs(case)
    found = []
    for each in find_missed(case):
        run = Run(*find_miss_span(case, each))
        is_earlier = any(one.start < run.start - _EARLY_S and one.end > run.start for one in biased)
        if not is_earlier and explained[run.start : run.end].mean() < _EXPLAINED_SHARE:
            found.append((each, run))
    return found


def _mark_causes(case: Case) -> BoolArray:
    """Mark the seconds in cadence lock or frozen."""
    runs = (*find_locked_runs(case), *find_frozen_stretches(case))
    return mark_runs(runs, case.segment.mask.size)


def _list_unexplained(case: Case) -> list[Run]:
    """Return the stretches without what another finding tells with its cause."""
    size = case.segment.mask.size
    explained = _mark_causes(case)
    explained |= mark_runs(tuple(run for _, run in _list_missed(case)), size)
    error = get_series(case).error
    limit = case.settings.heart_rate.biased_bpm
    left = []
    for run in find_biased_runs(case):
        if find_constant_bias(case) is not None and run.length > size / 2:
            left.append(run)
            continue
        inside = np.zeros(size, dtype=np.bool_)
        inside[run.start : run.end] = True
        parts = find_runs(inside & ~explained)
        left += [part for part in parts if is_biased(case, error, part, limit)]
    return left


def _describe(case: Case, run: Run) -> str:
    """Say that it is a constant, or that cadence is near."""
    notes = []
    if find_constant_bias(case) is not None and run == find_biased_runs(case)[0]:
        notes.append("throughout")
    near = mark_runs(find_near_runs(case), case.segment.mask.size)
    if near[run.start : run.end].mean() >= _EXPLAINED_SHARE:
        notes.append("near cadence, its half or its double, perhaps by chance")
    return "; ".join(notes)
