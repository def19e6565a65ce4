"""Finds the workout that notes speak of, and what in them does not fit it."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Final

from tasks.core.notes import NOTES_EARLY_S

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from tasks.core.notes import NamedSegment, Notes
    from tasks.pair import WorkoutMembers
    from tasks.processing.known import KnownRecording

DAY: Final = timedelta(days=1)


@dataclass(frozen=True)
class Assigned:
    """The notes that apply to each workout, those that fit none, and complaints, one line each."""

    applies: Mapping[str, Notes]
    unclaimed: tuple[str, ...]
    complaints: tuple[str, ...]


def assign_notes(
    notes: Sequence[Notes], named: Mapping[str, WorkoutMembers], by_id: Mapping[str, KnownRecording]
) -> Assigned:
    """Return each workout of `named` the latest of the `notes` that fit it.

    Notes with a time fit every workout that runs then, unless they name one. Notes of a whole day
    must leave no doubt: where several workouts of that day fit, none gets them. Notes that only
    add to others join the latest.
    """
    applies: dict[str, Notes] = {}
    added: dict[str, list[Notes]] = defaultdict(list)
    unclaimed: list[str] = []
    complaints: list[str] = []
    for one in notes:
        fitting = [
            workout_id for workout_id, workout in named.items() if _fits(one, workout, by_id=by_id)
        ]
        if one.workout in fitting:
            fitting = [one.workout]
        if not fitting:
            unclaimed.append(one.name)
        elif one.whole_day and len(fitting) > 1:
            complaints.append(
                f"{one.locate('start')}: {len(fitting)} workouts of that day fit; add the time at "
                "which this one began"
            )
        elif one.adds:
            for workout_id in fitting:
                added[workout_id].append(one)
        else:
            applies.update(dict.fromkeys(fitting, one))
    joined = {
        workout_id: _join(applies.get(workout_id), others)
        for workout_id, others in added.items()
        # What was taken back leaves nothing behind.
        if any(other.exclusions for other in others)
    }
    return Assigned({**applies, **joined}, tuple(unclaimed), tuple(complaints))


def _join(notes: Notes | None, added: Sequence[Notes]) -> Notes:
    """Return the notes of a workout with what others add; without any, the additions alone."""
    base = added[0] if notes is None else notes
    others = added[1:] if notes is None else added
    return replace(
        base,
        exclusions=(*base.exclusions, *(one for other in others for one in other.exclusions)),
        lines={**{key: line for one in others for key, line in one.lines.items()}, **base.lines},
    )


def check_segments(notes: Notes, workout: WorkoutMembers) -> Iterator[str]:
    """Say which named parts have no second in common with the workout."""
    for part in notes.segments:
        begin_s, end_s = _find_ends(notes, part)
        if end_s <= workout.start_utc.timestamp() or begin_s >= workout.end_utc.timestamp():
            yield (
                f"{notes.locate(f'segment.{part.name}')}: segment {part.name!r} lies outside the "
                f"workout ({workout.start_utc:%H:%M:%S} to "
                f"{workout.end_utc:%H:%M:%S} UTC); correct its "
                "from and to"
            )


def check_exclusions(notes: Notes, workout: WorkoutMembers, living: set[str]) -> Iterator[str]:
    """Say what is set aside of no device, or of no second, of the workout."""
    for one in notes.exclusions:
        place = notes.locate(f"exclude.{one.device}" if one.device else "exclude")
        begin, end = one.from_utc or workout.start_utc, one.until_utc or workout.end_utc
        if one.device is not None and one.device not in living:
            yield (
                f"{place}: nothing is set aside: {one.device!r} did not record this workout; it "
                f"was recorded by {', '.join(sorted(living))}"
            )
        elif end <= workout.start_utc or begin >= workout.end_utc:
            yield (
                f"{place}: what is set aside lies outside the workout "
                f"({workout.start_utc:%H:%M:%S} to {workout.end_utc:%H:%M:%S} UTC); "
                "correct its from and until"
            )


def _fits(notes: Notes, workout: WorkoutMembers, *, by_id: Mapping[str, KnownRecording]) -> bool:
    if not notes.whole_day:
        early = timedelta(seconds=NOTES_EARLY_S)
        return workout.start_utc - early <= notes.start_utc <= workout.end_utc
    if not notes.start_utc <= workout.start_utc < notes.start_utc + DAY:
        return False
    devices = {by_id[member.recording_id].device.id for member in workout.members}
    return not notes.setup or bool(devices.intersection(notes.setup))


def _find_ends(notes: Notes, part: NamedSegment) -> tuple[float, float]:
    start_s = notes.start_utc.timestamp()
    begin_s = part.from_utc.timestamp() if part.from_utc else start_s + (part.from_s or 0.0)
    end_s = part.to_utc.timestamp() if part.to_utc else start_s + (part.to_s or 0.0)
    return begin_s, end_s
