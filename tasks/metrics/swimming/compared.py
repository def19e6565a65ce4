"""A device's pool lengths beside those of the truth or of another device."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import scope
from tasks.maths.lengths import Group, align_by_time, align_to_count
from tasks.workout.swim_lengths import SwimLengths, has_lengths, list_swim_lengths

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from tasks.workout.case import Case, Subject

    Floats = NDArray[np.float64]

#: Parts that hold the lengths of which the reference says one stroke: `stroke:<word>`.
STROKE_PREFIX: Final = "stroke:"
PERCENT: Final = 100.0
COMMON: Final = "common practice, no source"
NO_LENGTHS: Final = "this recording holds no pool lengths"
START_S: Final = 1_750_000_000


@dataclass(frozen=True)
class Compared:
    """Own lengths, the reference's, and which belong together.

    `reference` is None where the notes are the reference: they know number and strokes of the
    lengths, but no times. `reference_strokes` holds one word per reference length, empty where
    they are not known. `n_true` is None where the notes do not count the lengths.
    """

    own: SwimLengths
    reference: SwimLengths | None
    reference_strokes: tuple[str | None, ...]
    groups: tuple[Group, ...]
    n_true: int | None

    def find_time(self, group: Group) -> float:
        """Return the middle of a group [s]; NaN where only the notes know of it."""
        if self.reference is not None and group.reference:
            return float(self.reference.middle_s[list(group.reference)].mean())
        return float(self.own.middle_s[list(group.test)].mean()) if group.test else np.nan

    def find_stroke(self, group: Group) -> str | None:
        """Return the stroke that most of a group's reference lengths have."""
        words = [self.reference_strokes[number] for number in group.reference]
        return Counter(words).most_common(1)[0][0] if words else None

    def read_stroke(self, group: Group) -> str | None:
        """Return the stroke that the device read in the longest of a group's lengths."""
        numbers = list(group.test)
        longest = max(numbers, key=lambda number: float(self.own.duration_s[number]))
        return self.own.stroke[longest]


@scope("swimming")
def concerns_swimming(case: Case) -> bool:
    """Say whether there was a swim: by activity, place, or lengths of any device."""
    workout = case.workout
    swam = workout.activity == "swimming" or workout.place == "pool"
    return swam or any(has_lengths(subject) for subject in workout.subjects)


def get_swim_lengths(case: Case, subject: Subject) -> SwimLengths:
    """Return the lengths of a recording of the workout, read once."""
    key = f"swimming:{subject.recording_id}"
    return case.once_per_workout(key, lambda: list_swim_lengths(subject))


def select_own(case: Case) -> SwimLengths:
    """Return the device's own lengths whose middle lies in the segment; the whole takes all."""
    own = get_swim_lengths(case, case.test)
    if case.segment.name == "all" and case.reference is None:
        return own
    return own.select(mark_inside(case, own.middle_s))


def mark_inside(case: Case, seconds: Floats) -> NDArray[np.bool_]:
    """Mark the instants that lie in the segment."""
    index = np.floor(seconds - case.workout.grid.start_s + 0.5)
    inside: NDArray[np.bool_] = (index >= 0) & (index < case.workout.grid.n_seconds)
    inside[inside] = case.segment.mask[index[inside].astype(np.int64)]
    return inside


def compare_lengths(case: Case) -> Compared | str:
    """Lay own and reference lengths of the whole workout side by side, or say why not.

    A reference that is not a device is the notes.
    """
    other = None if case.reference is None else case.reference.subject
    if other is None and case.workout.notes is None:
        return "neither notes nor another device know the lengths"
    against = "notes" if other is None else other.recording_id
    key = f"swimming:{case.test.recording_id}:{against}"
    return case.once_per_workout(key, lambda: _compare(case))


def select_groups(case: Case, compared: Compared) -> list[Group]:
    """Return groups of the segment: all, those of one stroke, or those whose middle is in it."""
    name = case.segment.name
    if name.startswith(STROKE_PREFIX):
        word = name.removeprefix(STROKE_PREFIX)
        return [
            group
            for group in compared.groups
            if group.reference and compared.find_stroke(group) == word
        ]
    if name == "all":
        return list(compared.groups)
    times = np.array([compared.find_time(group) for group in compared.groups], dtype=np.float64)
    inside = np.zeros(len(times), dtype=np.bool_)
    known = np.isfinite(times)
    inside[known] = mark_inside(case, times[known])
    return [group for group, kept in zip(compared.groups, inside, strict=True) if kept]


def is_named_part(case: Case) -> bool:
    """Say whether the segment is a part that the notes name."""
    return case.segment.name != "all" and not case.segment.name.startswith(STROKE_PREFIX)


def _compare(case: Case) -> Compared | str:
    own = get_swim_lengths(case, case.test)
    reference = case.reference
    if reference is not None and reference.subject is not None:
        return _compare_with_device(case, own, reference.subject)
    return _compare_with_notes(case, own)


def _compare_with_device(case: Case, own: SwimLengths, subject: Subject) -> Compared | str:
    other = get_swim_lengths(case, subject)
    if not other.n:
        return f"{subject.device.id} holds no pool lengths"
    # What was swum while the other device did not record does not count against this one.
    seconds = case.workout.grid.seconds[subject.covered]
    if seconds.size:
        own = own.select((own.middle_s >= seconds[0]) & (own.middle_s <= seconds[-1]))
    groups = align_by_time(own.start_s, own.end_s, other.start_s, other.end_s)
    return Compared(own, other, other.stroke, groups, n_true=None)


def _compare_with_notes(case: Case, own: SwimLengths) -> Compared | str:
    notes = case.workout.notes
    if notes is None:
        return "there are no notes for this workout"
    truth = notes.truth
    n_true = truth.known_lengths
    if n_true is None:
        groups = tuple(Group(range(n, n + 1), range(n, n + 1)) for n in range(own.n))
    else:
        groups = align_to_count(
            own.duration_s,
            count=n_true,
            stretch=own.number_stretches(case.settings.swimming.rest_s),
            stroke=own.stroke,
        )
    strokes: tuple[str | None, ...] = truth.strokes
    if len(strokes) == 1:
        strokes *= own.n if n_true is None else n_true
    return Compared(own, None, strokes, groups, n_true)


# --- worked examples --------------------------------------------------------------------------
def make_lengths(
    durations_s: Sequence[int],
    *,
    rest_after: Sequence[int] = (),
    rest_s: int = 30,
    stroke: str | Sequence[str | None] = "freestyle",
    strokes: int | Sequence[int] = 18,
    idle_rows: bool = True,
    start_s: int = START_S,
) -> dict[str, Any]:
    """Return the columns of `lengths` for lengths swum one after another; numbers count from 1.

    After the lengths in `rest_after` comes a rest, as a row of its own where `idle_rows`.
    """
    words = [stroke] * len(durations_s) if isinstance(stroke, str) else list(stroke)
    counts = [strokes] * len(durations_s) if isinstance(strokes, int) else list(strokes)
    rows: list[tuple[int, int, str, str | None, int | None]] = []
    clock = start_s
    for number, took in enumerate(durations_s, start=1):
        rows.append((clock, clock + took, "active", words[number - 1], counts[number - 1]))
        clock += took
        if number in rest_after:
            if idle_rows:
                rows.append((clock, clock + rest_s, "idle", None, None))
            clock += rest_s
    return {
        "length": list(range(len(rows))),
        "start_utc": np.array([row[0] * 1_000_000 for row in rows]),
        "end_utc": np.array([row[1] * 1_000_000 for row in rows]),
        "length_kind": [row[2] for row in rows],
        "swim_stroke": [row[3] for row in rows],
        "strokes": [row[4] for row in rows],
    }


def make_swim(
    durations_s: Sequence[int],
    *,
    notes: Any = None,  # noqa: ANN401 - Notes or nothing
    pool_m: float | None = 25.0,
    distance_m: float | None = None,
    **lengths: Any,  # noqa: ANN401 - the keyword arguments of make_lengths
) -> dict[str, Any]:
    """Return the inputs of a worked example: one device's lengths in a pool."""
    rests = lengths.get("rest_after", ())
    n_seconds = sum(durations_s) + len(rests) * lengths.get("rest_s", 30) + 1
    return {
        "test": {"heart_rate_bpm": [120.0] * n_seconds},
        "tables": {"lengths": make_lengths(durations_s, **lengths)},
        "header": {"pool_length_m": pool_m, "device_distance_m": distance_m},
        "notes": notes,
        "activity": "swimming",
        "place": "pool",
    }
