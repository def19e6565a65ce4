"""Which recordings of one device are of different activities, and never of one workout.

A triathlon is a session for each sport, and a day may hold two runs. A strap that runs through all
of it connects them; what the device itself keeps apart stays apart.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from tasks.pair.library import find_overlap_s, find_overlap_share

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from config.settings import PairSettings
    from tasks.pair.library import Placed

#: Pieces of one unit may overlap this much: multisport transitions are stamped twice [s].
_PIECE_OVERLAP_S: Final = 60.0
_UNTOLD: Final = frozenset({None, "other"})


def follows(before: Placed, placed: Placed) -> bool:
    """Say whether a recording begins when the one before it is over, but for a short overlap."""
    most_s = min(_PIECE_OVERLAP_S, before.duration_s / 2, placed.duration_s / 2)
    return find_overlap_s(before, placed) <= most_s


def are_one_sport(first: Placed, second: Placed) -> bool:
    """Say whether two recordings may be of one activity.

    Sessions of one file are of one only when the device calls them so.
    """
    sports = {first.candidate.sport, second.candidate.sport}
    if len(sports) == 1:
        return True
    return not _are_of_one_file(first, second) and bool(sports & _UNTOLD)


def find_activities_apart(
    ordered: Sequence[Placed], *, settings: PairSettings
) -> Iterator[tuple[int, int]]:
    """Return each two recordings of one device that are of different activities, by index.

    `ordered` are by start. A new activity begins where the sport changes, and after a gap that is
    too long for pieces of one recording.
    """
    by_device: dict[str, list[int]] = defaultdict(list)
    for index, placed in enumerate(ordered):
        by_device[placed.candidate.device_id].append(index)
    for indices in by_device.values():
        numbers = _number_activities([ordered[index] for index in indices], settings)
        for place, (index, number) in enumerate(zip(indices, numbers, strict=True)):
            for other, other_number in zip(indices[:place], numbers[:place], strict=True):
                # What overlaps by more is another export or another unit, no other activity.
                if other_number != number and follows(ordered[other], ordered[index]):
                    yield other, index


def note_lost_parts(
    groups: Sequence[tuple[Placed, ...]], *, settings: PairSettings
) -> list[tuple[Placed, ...]]:
    """Return the groups with a note on each recording that ran through others than its own.

    It is of one workout only.
    """
    by_start = sorted(groups, key=lambda group: min(one.start_s for one in group))
    return [
        tuple(_note_lost(one, group, by_start, settings=settings) for one in group)
        for group in groups
    ]


def _note_lost(
    placed: Placed,
    group: tuple[Placed, ...],
    groups: Sequence[tuple[Placed, ...]],
    *,
    settings: PairSettings,
) -> Placed:
    devices = {one.candidate.device_id for one in group}
    lost = 0
    for other in groups:
        if other[0].start_s >= placed.end_s:
            break
        lost += other is not group and any(
            one.candidate.device_id in devices
            and one.candidate.device_id != placed.candidate.device_id
            and one.duration_s < placed.duration_s
            and find_overlap_share(placed, one) >= settings.min_overlap_share
            for one in other
        )
    if not lost:
        return placed
    text = (
        f"it ran through {lost} other workout{'s' if lost > 1 else ''}, too, and counts in this "
        "one only; save its part of each as a file of its own"
    )
    note = "; ".join(note for note in (placed.note, text) if note)
    return replace(placed, note=note, runs_through=True)


def _number_activities(placed: Sequence[Placed], settings: PairSettings) -> list[int]:
    numbers: list[int] = []
    last: Placed | None = None
    number = 0
    for one in placed:
        if last is not None and follows(last, one):
            gap_s = -find_overlap_s(last, one)
            number += gap_s > settings.max_piece_gap_s or not are_one_sport(last, one)
        numbers.append(number)
        if last is None or one.end_s > last.end_s:
            last = one
    return numbers


def _are_of_one_file(first: Placed, second: Placed) -> bool:
    one, other = (placed.recording_id.rpartition("-")[0] for placed in (first, second))
    return bool(one) and one == other
