"""Rests at the wall, and what was swum without one."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Value, metric, unknown
from tasks.metrics.swimming.compared import (
    COMMON,
    NO_LENGTHS,
    PERCENT,
    compare_lengths,
    make_swim,
    mark_inside,
    select_own,
)

if TYPE_CHECKING:
    from tasks.workout.case import Case
    from tasks.workout.swim_lengths import SwimLengths

_SIX: Final = (30, 30, 30, 30, 30, 30)


@metric(
    "swimming",
    title="Rests",
    unit="rests",
    definition="Waits at the wall of at least rest_s between two lengths that the device "
    "recorded, as a rest or as a gap; time before the first and after the last length does not "
    "count",
    formula="number of gaps between lengths of at least rest_s",
    better="none",
    source=COMMON,
    examples=(
        Example(make_swim(_SIX, rest_after=(2, 4, 6)), 2.0, "by hand: the last one ends the swim"),
        Example(make_swim(_SIX, rest_after=(2,), idle_rows=False), 1.0, "by hand: one gap of 30 s"),
        Example(make_swim(_SIX, rest_after=(2,), rest_s=4), 0.0, "by hand: 4 s are a turn"),
        Example({"test": {"heart_rate_bpm": [100.0]}}, None, "no lengths"),
    ),
)
def swim_rests(case: Case) -> Value:
    """Return the number of rests."""
    own = select_own(case)
    if not own.n:
        return unknown(NO_LENGTHS)
    return Value(float(len(_list_rests(case, own))), n=own.n)


@metric(
    "swimming",
    title="Time at rest",
    unit="s",
    definition="Sum of the rests that the device recorded between its lengths",
    formula="sum of the gaps between lengths of at least rest_s",
    better="none",
    source=COMMON,
    examples=(
        Example(make_swim(_SIX, rest_after=(2, 4)), 60.0, "by hand: twice 30 s"),
        Example({"test": {"heart_rate_bpm": [100.0]}}, None, "no lengths"),
    ),
)
def swim_rest_s(case: Case) -> Value:
    """Return the time at rest [s]."""
    own = select_own(case)
    if not own.n:
        return unknown(NO_LENGTHS)
    rests = _list_rests(case, own)
    return Value(float(sum(end - start for start, end in rests)), n=len(rests))


@metric(
    "swimming",
    title="Rests found",
    unit="%",
    definition="Share of the other device's rests in which this one recorded a rest too; does not "
    "compare their durations, nor say which device is right",
    formula="100 * rests of the reference that overlap an own rest / rests of the reference",
    better="higher",
    source=COMMON,
    examples=(Example(make_swim(_SIX), None, "no other device"),),
    against="lengths",
)
def swim_rests_found_pct(case: Case) -> Value:
    """Return the share of rests that were found [%]."""
    compared = compare_lengths(case)
    if isinstance(compared, str):
        return unknown(compared)
    if compared.reference is None:
        return unknown("the notes do not give the rests")
    wanted = [
        rest
        for rest in _list_rests(case, compared.reference)
        if mark_inside(case, np.array([sum(rest) / 2.0]))[0]
    ]
    if not wanted:
        return unknown("the other device recorded no rest")
    own = _list_rests(case, compared.own)
    found = sum(any(a < end and b > start for a, b in own) for start, end in wanted)
    return Value(PERCENT * found / len(wanted), n=len(wanted))


@metric(
    "swimming",
    title="Longest swim without rest",
    unit="lengths",
    definition="Most lengths in a row between which the device recorded no rest; a rest that it "
    "overlooked makes it longer",
    formula="largest number of lengths between two rests",
    better="none",
    source=COMMON,
    examples=(
        Example(make_swim(_SIX, rest_after=(4,)), 4.0, "by hand: four, then two"),
        Example({"test": {"heart_rate_bpm": [100.0]}}, None, "no lengths"),
    ),
)
def swim_longest_stretch_lengths(case: Case) -> Value:
    """Return the largest number of lengths without a rest."""
    own = select_own(case)
    if not own.n:
        return unknown(NO_LENGTHS)
    stretches = own.number_stretches(case.settings.swimming.rest_s)
    return Value(float(np.bincount(stretches).max()), n=own.n)


@metric(
    "swimming",
    title="Sets without rest",
    unit="sets",
    definition="Sets that begin without a rest before them: the stroke changes from one length to "
    "the next with no rest in between; a stroke misread for one length counts as two",
    formula="number of changes of stroke without a rest of at least rest_s",
    better="none",
    source=COMMON,
    examples=(
        Example(
            make_swim(
                _SIX,
                stroke=("freestyle",) * 2 + ("backstroke",) * 2 + ("butterfly",) * 2,
                rest_after=(4,),
            ),
            1.0,
            "by hand: to backstroke without, to butterfly with a rest",
        ),
        Example(make_swim(_SIX, stroke=(None,) * 6), None, "the device reads no strokes"),
    ),
)
def swim_sets_without_rest(case: Case) -> Value:
    """Return the number of sets that begin without a rest."""
    own = select_own(case)
    if not own.n:
        return unknown(NO_LENGTHS)
    if not any(own.stroke):
        return unknown("the device reads no strokes")
    without = own.find_waits() < case.settings.swimming.rest_s
    changes = [before != after for before, after in pairwise(own.stroke)]
    return Value(float(np.count_nonzero(without & np.array(changes, dtype=np.bool_))), n=own.n)


def _list_rests(case: Case, swum: SwimLengths) -> list[tuple[float, float]]:
    """Return start and end of every rest [s]."""
    long = swum.find_waits() >= case.settings.swimming.rest_s
    starts, ends = swum.end_s[:-1][long], swum.start_s[1:][long]
    return list(zip(starts.tolist(), ends.tolist(), strict=True))
