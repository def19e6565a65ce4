"""Lengths, distance, strokes and pace in a pool."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.notes import Notes, Truth
from tasks.core.registers import Example, Value, metric, unknown
from tasks.metrics.swimming.compared import (
    COMMON,
    NO_LENGTHS,
    PERCENT,
    START_S,
    Compared,
    compare_lengths,
    is_named_part,
    make_swim,
    select_groups,
    select_own,
)

if TYPE_CHECKING:
    from tasks.maths.lengths import Group
    from tasks.workout.case import Case
    from tasks.workout.swim_lengths import SwimLengths

#: A pool length is known to a centimetre; a part's distance must be whole lengths to so much.
_WHOLE_LENGTHS: Final = 0.02
#: Stroke counts so near to the double or the half of the other's count arms against cycles.
_CONVENTION_SHARE: Final = 0.1
_BY_TIMES: Final = "the notes hold no times: found by how long each length took"
_WHOLE_ONLY: Final = "the notes count the lengths of the whole swim only"


def _note(**truth: object) -> Notes:
    start_utc = datetime.fromtimestamp(START_S, tz=UTC)
    return Notes(start_utc=start_utc, truth=Truth(**truth))  # type: ignore[arg-type] # by name


_SIX: Final = (30, 30, 30, 30, 30, 30)
_FIVE_OF_SIX: Final = (30, 60, 30, 30, 30)
_SEVEN_OF_SIX: Final = (30, 15, 15, 30, 30, 30, 30)


@metric(
    "swimming",
    title="Lengths",
    unit="lengths",
    definition="Pool lengths that the device counted, rests left out; does not say whether they "
    "were swum",
    formula="number of lengths",
    better="none",
    source=COMMON,
    examples=(
        Example(make_swim(_SIX, rest_after=(2, 4)), 6.0, "by hand: six lengths, two rests"),
        Example({"test": {"heart_rate_bpm": [100.0]}}, None, "no lengths"),
    ),
)
def swim_lengths(case: Case) -> Value:
    """Return the number of lengths."""
    own = select_own(case)
    if not own.n and case.segment.name == "all":
        return unknown(NO_LENGTHS)
    return Value(float(own.n), n=own.n)


@metric(
    "swimming",
    title="Lengths error",
    unit="lengths",
    definition="Lengths counted minus lengths swum; a missed and a split length cancel; "
    "swim_missed_lengths and swim_split_lengths count them separately",
    formula="lengths of the device - lengths of the reference",
    better="zero",
    source="counts instead of percent, after Mooney et al. 2017 (PMC5298290)",
    examples=(
        Example(make_swim(_FIVE_OF_SIX, notes=_note(lengths=6)), -1.0, "by hand: 5 - 6"),
        Example(make_swim(_SIX), None, "nobody else counted"),
    ),
    against="lengths",
    level="primary",
)
def swim_lengths_error(case: Case) -> Value:
    """Return the error of the count."""
    found = _count_both(case)
    if isinstance(found, str):
        return unknown(found)
    counted, true = found
    return Value(float(counted - true), n=true)


@metric(
    "swimming",
    title="Missed lengths",
    unit="lengths",
    definition="Lengths of the reference that the device merged with another one or did not "
    "count; compared with the notes, they are found by their doubled time, since the notes hold "
    "no times",
    formula="sum over groups of lengths that belong together of reference lengths beyond the first",
    better="lower",
    source=COMMON,
    examples=(
        Example(make_swim(_FIVE_OF_SIX, notes=_note(lengths=6)), 1.0, "by hand: 60 s are two"),
        Example(make_swim(_SEVEN_OF_SIX, notes=_note(lengths=6)), 0.0, "by hand: one split only"),
    ),
    against="lengths",
)
def swim_missed_lengths(case: Case) -> Value:
    """Return the number of missed lengths."""
    return _count_miscounts(case, lambda group: group.missed)


@metric(
    "swimming",
    title="Split lengths",
    unit="lengths",
    definition="Lengths that the device counted beyond those of the reference: one length split "
    "in two, or one invented; compared with the notes, they are found by their halved time, since "
    "the notes hold no times",
    formula="sum over groups of lengths that belong together of own lengths beyond the first",
    better="lower",
    source=COMMON,
    examples=(
        Example(
            make_swim(_SEVEN_OF_SIX, notes=_note(lengths=6)), 1.0, "by hand: 15 + 15 s are one"
        ),
        Example(make_swim(_FIVE_OF_SIX, notes=_note(lengths=6)), 0.0, "by hand: one missed only"),
    ),
    against="lengths",
)
def swim_split_lengths(case: Case) -> Value:
    """Return the number of split lengths."""
    return _count_miscounts(case, lambda group: group.extra)


@metric(
    "swimming",
    title="Distance error",
    unit="%",
    definition="Distance that the device reports in percent of the true one, which is lengths "
    "times the length of the pool; a device set to 25 yards (22.86 m) in a pool of 25 m is off by "
    "8.6 % although it counts correctly",
    formula="100 * (own distance - true distance) / true distance",
    better="zero",
    source=COMMON,
    examples=(
        Example(
            make_swim(_FIVE_OF_SIX, notes=_note(lengths=6, pool_length_m=25.0)),
            100.0 * (125.0 - 150.0) / 150.0,
            "by hand: 125 m for 150 m",
        ),
        Example(
            make_swim(_SIX, pool_m=22.86, notes=_note(lengths=6, pool_length_m=25.0)),
            -8.56,
            "by hand: 25 yd are 22.86 m exactly (international yard, 0.9144 m)",
        ),
        Example(make_swim(_SIX, notes=_note(lengths=6)), 0.0, "by hand: the device's own pool"),
        Example(make_swim(_SIX), None, "nobody else knows"),
    ),
    against="lengths",
)
def swim_distance_error_pct(case: Case) -> Value:
    """Return the error of the distance [%]."""
    found = _count_both(case)
    if isinstance(found, str):
        return unknown(found)
    counted, true = found
    own_m = _find_own_distance(case, counted)
    true_m = _find_reference_distance(case, true)
    if own_m is None or true_m is None:
        return unknown("the length of the pool is not known")
    if true_m <= 0.0:
        return unknown("the reference has no length in this part")
    return Value(PERCENT * (own_m - true_m) / true_m, n=true)


@metric(
    "swimming",
    title="Stroke count error",
    unit="%",
    definition="Strokes counted in percent of those of the reference; a count of arm strokes "
    "cannot be compared with a count of cycles, so a doubled or halved count gives no value",
    formula="100 * (own strokes - reference strokes) / reference strokes",
    better="zero",
    source=COMMON,
    examples=(
        Example(
            make_swim(_SIX, strokes=19, notes=_note(lengths=6, stroke_count=120)),
            -5.0,
            "by hand: 114 of 120",
        ),
        Example(
            make_swim(_SIX, strokes=10, notes=_note(lengths=6, stroke_count=120)),
            None,
            "by hand: 60 of 120 are cycles, not arms",
        ),
        Example(make_swim(_SIX, notes=_note(lengths=6)), None, "nobody counted the strokes"),
    ),
    against="lengths",
    level="compared",
)
def swim_strokes_error_pct(case: Case) -> Value:
    """Return the error of the stroke count [%]."""
    compared = compare_lengths(case)
    if isinstance(compared, str):
        return unknown(compared)
    groups = select_groups(case, compared)
    own = _sum_strokes(compared.own, [n for group in groups for n in group.test])
    if own is None:
        return unknown("the device counts no strokes")
    true = _find_reference_strokes(case, compared, groups)
    if isinstance(true, str):
        return unknown(true)
    for factor, words in ((2.0, "twice"), (0.5, "half")):
        if abs(own / (true * factor) - 1.0) <= _CONVENTION_SHARE:
            return unknown(f"about {words} as many strokes: one counts arms, the other cycles")
    return Value(PERCENT * (own - true) / true, n=round(true))


@metric(
    "swimming",
    title="Pace",
    unit="s/100 m",
    definition="Swimming time per 100 m by the device's own lengths and pool, rests left out; a "
    "wrong count or pool makes it wrong too",
    formula="100 * time of the lengths / (lengths * length of the pool)",
    better="none",
    source=COMMON,
    examples=(
        Example(make_swim(_SIX, rest_after=(3,)), 120.0, "by hand: 180 s for 150 m"),
        Example(make_swim(_SIX, pool_m=None), None, "the pool is not known"),
    ),
)
def swim_pace_s_per_100m(case: Case) -> Value:
    """Return the pace [s/100 m]."""
    own = select_own(case)
    if not own.n:
        return unknown(NO_LENGTHS)
    if not own.pool_m:
        return unknown("the export does not give the length of the pool")
    return Value(PERCENT * float(own.duration_s.sum()) / (own.n * own.pool_m), n=own.n)


# --- counts -----------------------------------------------------------------------------------
def _count_both(case: Case) -> tuple[int, int] | str:
    """Return counted and true lengths of the segment, or why they cannot be compared."""
    compared = compare_lengths(case)
    if isinstance(compared, str):
        return compared
    if not compared.own.n and not case.test.recording.lengths.num_rows:
        return NO_LENGTHS
    if compared.reference is None and compared.n_true is None:
        return "the notes do not count the lengths (truth.lengths)"
    groups = select_groups(case, compared)
    counted = sum(len(group.test) for group in groups)
    if compared.reference is None and is_named_part(case):
        true = _find_true_count_of_part(case)
        return _WHOLE_ONLY if true is None else (counted, true)
    return counted, sum(len(group.reference) for group in groups)


def _count_miscounts(case: Case, count: Callable[[Group], int]) -> Value:
    found = _count_both(case)
    if isinstance(found, str):
        return unknown(found)
    compared = compare_lengths(case)
    if isinstance(compared, str):
        return unknown(compared)
    if compared.reference is None and is_named_part(case):
        return unknown(_WHOLE_ONLY)
    groups = select_groups(case, compared)
    note = _BY_TIMES if compared.reference is None else None
    return Value(float(sum(count(group) for group in groups)), n=found[1], reason=note)


def _find_true_count_of_part(case: Case) -> int | None:
    """Return the true lengths of a named part whose distance the notes give."""
    notes = case.workout.notes
    if notes is None or not notes.truth.pool_length_m:
        return None
    distances = {part.name: part.distance_m for part in notes.segments}
    distance_m = distances.get(case.segment.name)
    if distance_m is None:
        return None
    count = distance_m / notes.truth.pool_length_m
    return round(count) if abs(count - round(count)) <= _WHOLE_LENGTHS else None


# --- distances and strokes --------------------------------------------------------------------
def _find_own_distance(case: Case, counted: int) -> float | None:
    header = case.test.recording.header
    alone = case.reference is None or case.reference.subject is None
    if case.segment.name == "all" and alone and header.device_distance_m is not None:
        return header.device_distance_m
    pool_m = header.pool_length_m or _find_true_pool(case)
    return None if not pool_m else counted * pool_m


def _find_reference_distance(case: Case, true: int) -> float | None:
    reference = case.reference
    if reference is not None and reference.subject is not None:
        pool_m = reference.subject.recording.header.pool_length_m
        pool_m = pool_m or case.test.recording.header.pool_length_m
        return None if not pool_m else true * pool_m
    notes = case.workout.notes
    if notes is not None and case.segment.name == "all" and notes.truth.known_distance_m:
        return notes.truth.known_distance_m
    pool_m = _find_true_pool(case) or case.test.recording.header.pool_length_m
    return None if not pool_m else true * pool_m


def _find_true_pool(case: Case) -> float | None:
    return None if case.workout.notes is None else case.workout.notes.truth.pool_length_m


def _find_reference_strokes(case: Case, compared: Compared, groups: list[Group]) -> float | str:
    if compared.reference is None:
        notes = case.workout.notes
        if notes is None or notes.truth.stroke_count is None:
            return "the notes do not count the strokes (truth.stroke_count)"
        if case.segment.name != "all":
            return "the notes count the strokes of the whole swim only"
        return float(notes.truth.stroke_count) or "no strokes were swum"
    numbers = [n for group in groups for n in group.reference]
    return _sum_strokes(compared.reference, numbers) or "the other device counts no strokes"


def _sum_strokes(swum: SwimLengths, numbers: list[int]) -> float | None:
    counts = swum.strokes[numbers]
    return float(np.nansum(counts)) if np.isfinite(counts).any() else None
