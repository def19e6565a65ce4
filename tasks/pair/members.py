"""From candidates to workouts: group, set wrong clocks right, place what only counts, resolve."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

from tasks.core.members import Candidate, Grouping, Member, WorkoutMembers
from tasks.pair.activities import note_lost_parts
from tasks.pair.correcting import ClockCorrector
from tasks.pair.elapsed import place_elapsed
from tasks.pair.forced import regroup
from tasks.pair.grouping import Group, group_by_overlap, order_placed, resolve_group
from tasks.pair.library import Library, Placed

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from config.settings import PairSettings
    from tasks.core.recording import Recording

#: Longer than any workout [s].
_ANY_BREAK_S: Final = 30 * 86_400.0
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


def pair_recordings(
    candidates: Sequence[Candidate],
    load: Callable[[str], Recording],
    *,
    settings: PairSettings,
    starts_of_notes: Sequence[datetime] = (),
    grouping: Grouping | None = None,
) -> tuple[WorkoutMembers, ...]:
    """Return the workouts, by start; every candidate is a member of exactly one.

    `grouping` is what a person said of it. `load` opens a recording by its id and is called only
    when content must decide. The order of the candidates does not matter.
    """
    library = Library(load)
    starts_s = sorted((start - _EPOCH).total_seconds() for start in starts_of_notes)
    everyone = order_placed([Placed(candidate) for candidate in candidates])
    dated = [one for one in everyone if one.candidate.time_basis != "elapsed"]
    elapsed = [one for one in everyone if one.candidate.time_basis == "elapsed"]
    corrector = ClockCorrector(library, settings=settings, starts_of_notes_s=starts_s)
    dated = corrector.correct(dated)
    found, lost = place_elapsed(
        elapsed, dated, library, settings=settings, starts_of_notes_s=starts_s
    )
    groups = group_by_overlap([*dated, *found], library, settings=settings)
    # What found no time would overlap all else that found none: each stays by itself.
    groups = note_lost_parts(groups, settings=settings)
    groups += [(one,) for one in lost]
    groups, together = regroup(groups, grouping or Grouping())
    # However long the break was: what belongs together goes on.
    patient = settings.model_copy(update={"max_piece_gap_s": _ANY_BREAK_S})
    workouts = [
        _make_bout(group, library, settings=patient if number in together else settings)
        for number, group in enumerate(groups)
    ]
    return tuple(
        sorted(workouts, key=lambda workout: (workout.start_utc, workout.members[0].recording_id))
    )


def _make_bout(group: Group, library: Library, *, settings: PairSettings) -> WorkoutMembers:
    ordered = tuple(order_placed(group))
    members: tuple[Member, ...] = resolve_group(ordered, library, settings=settings)
    # What runs through other workouts, too, does not say when this one was.
    own = [placed for placed in ordered if not placed.runs_through] or ordered
    start_s = min(placed.start_s for placed in own)
    end_s = max(placed.end_s for placed in own)
    return WorkoutMembers(
        members,
        _EPOCH + timedelta(seconds=start_s),
        _EPOCH + timedelta(seconds=end_s),
    )
