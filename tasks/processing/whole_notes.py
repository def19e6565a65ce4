"""What notes say of a whole workout holds for no part of it, once it was split."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from typing import TYPE_CHECKING

from tasks.core.notes import READ_OFF, Truth
from tasks.core.parts import find_whole

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tasks.core.notes import Notes
    from tasks.pair import WorkoutMembers
    from tasks.processing.known import KnownRecording


def take_out_wholes(
    applies: Mapping[str, Notes],
    workouts: Mapping[str, WorkoutMembers],
    by_id: Mapping[str, KnownRecording],
) -> tuple[dict[str, Notes], dict[str, str]]:
    """Return the notes of each workout without what is only true of the whole it is a part of.

    A workout is a part where most of its recordings are parts, or where other parts of them lie in
    workouts that have the same notes. Notes that name the workout are of the part. The second value
    says what was taken out, one line for each workout.
    """
    kept, refused = dict(applies), {}
    shared = _find_sharing(applies, workouts)
    for workout_id, notes in applies.items():
        members = workouts[workout_id].members
        n_parts = sum(by_id[member.recording_id].is_part for member in members)
        if notes.workout == workout_id or not (workout_id in shared or 2 * n_parts > len(members)):
            continue
        kept[workout_id] = _take_out(notes)
        if kept[workout_id] != notes:
            refused[workout_id] = (
                f"{notes.name}: its workout was split, so what it says of the whole (truth, "
                f"course, battery levels) does not count for {workout_id}; drop notes for each "
                f'part, with workout = "{workout_id}"'
            )
    return kept, refused


def _find_sharing(
    applies: Mapping[str, Notes], workouts: Mapping[str, WorkoutMembers]
) -> frozenset[str]:
    owners: dict[tuple[str, str], set[str]] = defaultdict(set)
    for workout_id, notes in applies.items():
        for member in workouts[workout_id].members:
            owners[notes.name, find_whole(member.recording_id)].add(workout_id)
    return frozenset(one for several in owners.values() if len(several) > 1 for one in several)


def _take_out(notes: Notes) -> Notes:
    return replace(
        notes,
        truth=Truth(pool_length_m=notes.truth.pool_length_m),
        course=None,
        setup={
            device: {
                key: value for key, value in worn.items() if key == "note" or key not in READ_OFF
            }
            for device, worn in notes.setup.items()
        },
    )
