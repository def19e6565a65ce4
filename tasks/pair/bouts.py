"""From candidates to workouts: group, set wrong clocks right, place what only counts, resolve."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

from tasks.core.bouts import Bout, Candidate, Member
from tasks.pair.grouping import Group, group_by_overlap, order_placed, resolve_group
from tasks.pair.library import Library, Placed

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from config.settings import PairSettings
    from tasks.core.recording import Recording

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


def pair_recordings(
    candidates: Sequence[Candidate],
    load: Callable[[str], Recording],
    *,
    settings: PairSettings,
    starts_of_notes: Sequence[datetime] = (),
) -> tuple[Bout, ...]:
    """Give the workouts, by start; every candidate is a member of exactly one.

    `load` opens a recording by its id and is called only when content must decide. The order of
    the candidates does not matter.
    """
    library = Library(load)
    placed = [Placed(candidate) for candidate in candidates]
    groups = group_by_overlap(placed, library, settings=settings)
    bouts = [_make_bout(group, library, settings=settings) for group in groups]
    return tuple(sorted(bouts, key=lambda bout: (bout.start_utc, bout.members[0].recording_id)))


def _make_bout(group: Group, library: Library, *, settings: PairSettings) -> Bout:
    ordered = tuple(order_placed(group))
    members: tuple[Member, ...] = resolve_group(ordered, library, settings=settings)
    start_s = min(placed.start_s for placed in ordered)
    end_s = max(placed.end_s for placed in ordered)
    return Bout(
        members,
        _EPOCH + timedelta(seconds=start_s),
        _EPOCH + timedelta(seconds=end_s),
    )
