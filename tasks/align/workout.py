"""Places the recordings of one workout on one clock and one grid."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tasks.align.gridding import carry_to_grid, find_span, mark_covered, mark_paused
from tasks.align.joining import join_pieces, shift_recording
from tasks.align.network import Clock, choose_timeline, set_clocks
from tasks.workout.case import Grid, Subject

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from config.devices import Device
    from config.settings import Settings
    from tasks.core.members import Member, WorkoutMembers
    from tasks.core.recording import Recording
    from tasks.workout.alignment import Alignment


@dataclass(frozen=True)
class Aligned:
    """The recordings of a workout on its grid.

    `reference_timeline` is the id of the recording whose clock is the workout's clock. The times
    in each subject's recording already hold its whole clock shift, but not `offset_s`.
    """

    grid: Grid
    subjects: tuple[Subject, ...]
    reference_timeline: str


def align_workout(
    workout_id: str,
    recordings: Mapping[str, Recording],
    *,
    workout: WorkoutMembers,
    devices: Mapping[str, Device],
    settings: Settings,
) -> Aligned:
    """Set the clocks of a workout's recordings against one of them and carry all to its grid.

    `recordings` holds the samples as recorded, by id, at least of every member that is no
    duplicate; duplicates are left out, pieces are joined under the first one's id. Which clock is
    the workout's clock is decided in `choose_timeline`. The grid spans all recordings; values are
    compared where the reference has one.

    *Raises* ValueError when no member is used.
    """
    joined = _join(workout, recordings, devices)
    if not joined:
        raise ValueError(f"workout {workout_id} has no recording that is used")
    timeline = choose_timeline(joined)
    alignments = set_clocks(joined, timeline=timeline, settings=settings.align)
    spans = {
        one.recording_id: find_span(one.recording, alignments[one.recording_id].offset_s)
        for one in joined
    }
    start_s = min(first for first, _ in spans.values())
    end_s = max(last for _, last in spans.values())
    grid = Grid(start_s, end_s - start_s + 1)
    subjects = tuple(
        _place(one, alignments[one.recording_id], spans[one.recording_id], grid, settings=settings)
        for one in joined
    )
    return Aligned(grid, subjects, timeline.recording_id)


def _join(
    workout: WorkoutMembers, recordings: Mapping[str, Recording], devices: Mapping[str, Device]
) -> list[Clock]:
    used = [member for member in workout.members if member.duplicate_of is None]
    following = {member.continues: member for member in used if member.continues is not None}
    joined = []
    for member in used:
        if member.continues is not None:
            continue
        chain = [member]
        while chain[-1].recording_id in following:
            chain.append(following[chain[-1].recording_id])
        pieces = [
            shift_recording(recordings[piece.recording_id], piece.clock_shift_s) for piece in chain
        ]
        joined.append(
            Clock(
                member.recording_id,
                join_pieces(pieces),
                devices[member.recording_id],
                is_trusted=all(
                    piece.clock_shift_s == 0.0 and one.header.time_basis == "utc"
                    for piece, one in zip(chain, pieces, strict=True)
                ),
                note=_join_notes(chain),
            )
        )
    return joined


def _join_notes(chain: Sequence[Member]) -> str | None:
    notes = dict.fromkeys(member.note for member in chain if member.note is not None)
    return "; ".join(notes) or None


def _place(
    one: Clock,
    alignment: Alignment,
    span: tuple[int, int],
    grid: Grid,
    *,
    settings: Settings,
) -> Subject:
    offset_s = alignment.offset_s
    return Subject(
        recording_id=one.recording_id,
        device=one.device,
        recording=one.recording,
        alignment=alignment,
        on_grid=carry_to_grid(one.recording, grid, offset_s=offset_s, settings=settings.align),
        covered=mark_covered(span, grid),
        paused=mark_paused(one.recording, grid, offset_s=offset_s),
    )
