"""Which stroke the device read, against which one was swum."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.notes import Notes, Truth
from tasks.core.registers import Example, Finding, Value, finding, metric, segmenter, unknown
from tasks.metrics.swimming.compared import (
    COMMON,
    NO_LENGTHS,
    PERCENT,
    START_S,
    STROKE_PREFIX,
    Compared,
    compare_lengths,
    make_swim,
    select_groups,
)
from tasks.workout.case import Segment

if TYPE_CHECKING:
    from tasks.maths.lengths import Group
    from tasks.workout.case import Case

#: Words that have a column of their own in the confusion table; all others are `other`.
_WORDS: Final = ("freestyle", "backstroke", "breaststroke", "butterfly", "drill")
_OTHER: Final = "other"


def _note(lengths: int | None, *strokes: str) -> Notes:
    start_utc = datetime.fromtimestamp(START_S, tz=UTC)
    return Notes(start_utc=start_utc, truth=Truth(lengths=lengths, strokes=strokes))


_FOUR: Final = (30, 30, 30, 30)
_READ: Final = ("freestyle", "butterfly", "backstroke", "freestyle")
_SWUM: Final = _note(4, "freestyle", "freestyle", "backstroke", "backstroke")


@metric(
    "swimming",
    title="Strokes recognised",
    unit="%",
    definition="Share of the lengths swum, as far as the device counted them, whose stroke it "
    "recognised; where it merged two lengths, its one stroke is compared with both",
    formula="100 * lengths with the right stroke / lengths compared",
    better="higher",
    source=COMMON,
    examples=(
        Example(make_swim(_FOUR, stroke=_READ, notes=_SWUM), 50.0, "by hand: first and third"),
        Example(
            make_swim(_FOUR, stroke=_READ, notes=_note(None, "freestyle")),
            50.0,
            "by hand: one word for all, two of four",
        ),
        Example(
            make_swim(_FOUR, stroke=(None,) * 4, notes=_SWUM), None, "the device reads no strokes"
        ),
    ),
    against="lengths",
    level="compared",
)
def swim_stroke_type_match_pct(case: Case) -> Value:
    """Return the share of lengths with the right stroke [%]."""
    readings = _list_readings(case)
    if isinstance(readings, str):
        return unknown(readings)
    right = sum(true == read for true, read, _ in readings)
    return Value(PERCENT * right / len(readings), n=len(readings))


def _count_as(word: str) -> Callable[[Case], Value]:
    def count(case: Case) -> Value:
        readings = _list_readings(case)
        if isinstance(readings, str):
            return unknown(readings)
        return Value(float(sum(_sort(read) == word for _, read, _ in readings)), n=len(readings))

    count.__name__ = f"swim_read_as_{word}_lengths"
    count.__doc__ = f"Return the lengths that the device read as {word}."
    return count


for _word in (*_WORDS, _OTHER):
    metric(
        "swimming",
        title=f"Lengths read as {_word}",
        unit="lengths",
        definition=f"Lengths that the device read as {_word}; over the parts stroke:<word>, which "
        "hold the lengths that were swum in one stroke, these columns are the confusion table",
        formula=f"number of compared lengths whose stroke the device calls {_word}",
        better="none",
        source=COMMON,
        examples=(
            Example(
                make_swim(_FOUR, stroke=_READ, notes=_SWUM),
                float(sum(read == _word for read in _READ)),
                "by hand: count the words",
            ),
        ),
        against="lengths",
    )(_count_as(_word))


@segmenter("swimming")
def strokes_of_lengths(case: Case) -> list[Segment]:
    """Cut by the stroke that the reference says was swum: the lines of the confusion table."""
    compared = compare_lengths(case)
    if isinstance(compared, str) or not compared.reference_strokes:
        return []
    words = sorted({word for word in compared.reference_strokes if word is not None})
    parts = [
        Segment(f"{STROKE_PREFIX}{word}", _mark_stroke(case, compared, word)) for word in words
    ]
    return [part for part in parts if part.mask.any()]


@finding(
    "stroke_misread",
    domain="swimming",
    title="Stroke misread",
    unit="lengths",
    definition="The device recognised another stroke than the one swum, according to the notes or "
    "else to a device whose role is reference; the size is the number of lengths",
    source=COMMON,
    against="lengths",
)
def find_misread_strokes(case: Case) -> list[Finding]:
    """Return every group of lengths with a wrong stroke."""
    compared = compare_lengths(case)
    if not _is_trusted(case) or isinstance(compared, str) or isinstance(_list_readings(case), str):
        return []
    found: list[Finding] = []
    for group in select_groups(case, compared):
        if not group.test or not group.reference:
            continue
        read = compared.read_stroke(group)
        wrong = [
            word
            for word in (compared.reference_strokes[number] for number in group.reference)
            if word is not None and word != read
        ]
        if wrong:
            first, last = group.test[0], group.test[-1]
            found.append(
                Finding(
                    float(compared.own.start_s[first]),
                    float(compared.own.end_s[last]),
                    float(len(wrong)),
                    f"{wrong[0]} read as {read or 'nothing'}",
                )
            )
    return found


def _is_trusted(case: Case) -> bool:
    """Say whether the reference is believed: of two devices that differ either may be wrong."""
    notes = case.workout.notes
    other = None if case.reference is None else case.reference.subject
    if other is None:
        return True
    return other.device.role == "reference" and not (notes is not None and notes.truth.strokes)


def _mark_stroke(case: Case, compared: Compared, word: str) -> np.ndarray:
    """Mark the seconds of the lengths in which the reference swam `word`."""
    mask = np.zeros(case.workout.grid.n_seconds, dtype=np.bool_)
    for group in compared.groups:
        if not group.reference or compared.find_stroke(group) != word:
            continue
        first_s, last_s = _find_ends(compared, group)
        if np.isfinite(first_s):
            first = max(round(first_s - case.workout.grid.start_s), 0)
            mask[first : max(round(last_s - case.workout.grid.start_s), 0)] = True
    return mask


def _find_ends(compared: Compared, group: Group) -> tuple[float, float]:
    if compared.reference is not None:
        swum, numbers = compared.reference, group.reference
    else:
        swum, numbers = compared.own, group.test
    if not numbers:
        return np.nan, np.nan
    return float(swum.start_s[numbers[0]]), float(swum.end_s[numbers[-1]])


def _list_readings(case: Case) -> list[tuple[str, str | None, Group]] | str:
    """Return true stroke and read stroke of each compared length, or why there are none."""
    compared = compare_lengths(case)
    if isinstance(compared, str):
        return compared
    if not compared.own.n:
        return NO_LENGTHS
    if not any(compared.reference_strokes):
        who = "the notes do" if compared.reference is None else "the other device does"
        return f"{who} not say which strokes were swum"
    if not any(compared.own.stroke):
        return "the device reads no strokes"
    readings = [
        (word, compared.read_stroke(group), group)
        for group in select_groups(case, compared)
        if group.test
        for word in (compared.reference_strokes[number] for number in group.reference)
        if word is not None
    ]
    return readings or "no length of this part can be compared"


def _sort(read: str | None) -> str:
    return read if read in _WORDS else _OTHER
