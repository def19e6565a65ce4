"""Which recordings are one workout: connected overlap, but never tracks that lie apart."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.members import Member
from tasks.pair.activities import are_one_sport, find_activities_apart, follows
from tasks.pair.duplicates import are_duplicates, are_one_unit, measure_richness
from tasks.pair.library import find_overlap_s, find_overlap_share

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from config.settings import PairSettings
    from tasks.pair.library import Library, Placed

#: Overlap from which the distance between two tracks says something [s].
_LEAST_TRACK_OVERLAP_S: Final = 30.0

Group = tuple["Placed", ...]


@dataclass(frozen=True)
class _Link:
    """Two recordings that may be of one workout, and how good the evidence is.

    `is_confirmed` says that two tracks lie together, `likeness` how alike their signals are (asked
    only where it matters), `overlap_of_both` how much of the time of either both recorded.
    """

    first: int
    second: int
    is_confirmed: bool
    overlap_of_both: float
    likeness: float = 0.0


def order_placed(placed: Sequence[Placed]) -> list[Placed]:
    """Return the recordings by start and id, so that nothing hangs on the order of arrival."""
    return sorted(placed, key=lambda one: (one.start_s, one.recording_id))


def group_by_overlap(
    placed: Sequence[Placed], library: Library, *, settings: PairSettings
) -> list[Group]:
    """Return the groups of recordings that overlap, by start.

    Two are linked when they overlap by `min_overlap_share` of the shorter one, and their real
    tracks, where both have one, are not farther apart than `max_apart_m`. Groups are what links
    connect; the best links are taken first, and a link that would bring two tracks together that
    lie apart is left out. A recording without a track that could belong to either of two athletes
    goes to the one whose signals are like its own, else to the one whose time it shares most. What
    one device recorded as two activities is never one workout.
    """
    ordered = order_placed(placed)
    links: list[_Link] = []
    apart: list[tuple[int, int]] = []
    for first, second in _find_meetings(ordered):
        one, other = ordered[first], ordered[second]
        distance_m = float("nan")
        if find_overlap_s(one, other) >= _LEAST_TRACK_OVERLAP_S:
            distance_m = library.measure_distance_m(one, other)
        if distance_m > settings.max_apart_m:
            apart.append((first, second))
        elif find_overlap_share(one, other) >= settings.min_overlap_share:
            links.append(
                _Link(first, second, bool(np.isfinite(distance_m)), _share_of_both(one, other))
            )
    links = [_weigh(link, links, apart, ordered, library) for link in links]
    apart += find_activities_apart(ordered, settings=settings)
    links.sort(key=lambda link: (not link.is_confirmed, -link.likeness, -link.overlap_of_both))
    return [
        tuple(ordered[index] for index in sorted(group))
        for group in _connect(len(ordered), links, apart)
    ]


def resolve_group(group: Group, library: Library, *, settings: PairSettings) -> tuple[Member, ...]:
    """Say of each recording of a group what part it plays: used, duplicate or next piece."""
    used, duplicates = _find_duplicates(group, library, settings=settings)
    continues = _find_pieces(used, library, settings=settings)
    alike = _find_alike(used, settings=settings)
    members = []
    for placed in group:
        notes = [placed.note, alike.get(placed.recording_id)]
        members.append(
            Member(
                placed.recording_id,
                clock_shift_s=placed.shift_s,
                duplicate_of=duplicates.get(placed.recording_id),
                continues=continues.get(placed.recording_id),
                note="; ".join(note for note in notes if note) or None,
            )
        )
    return tuple(members)


def count_units(group: Group, library: Library, *, settings: PairSettings) -> int:
    """Return the number of units in a group, duplicates and pieces counted once."""
    used, _ = _find_duplicates(group, library, settings=settings)
    return len(used) - len(_find_pieces(used, library, settings=settings))


def _find_meetings(ordered: Sequence[Placed]) -> Iterator[tuple[int, int]]:
    """Return each two recordings that overlap at all, once, by index."""
    running: list[int] = []
    for index, placed in enumerate(ordered):
        running = [one for one in running if find_overlap_s(ordered[one], placed) > 0]
        yield from ((one, index) for one in running)
        running.append(index)


def _share_of_both(first: Placed, second: Placed) -> float:
    """Return the overlap as a share of the time in which either recorded."""
    overlap_s = find_overlap_s(first, second)
    return overlap_s / (first.duration_s + second.duration_s - overlap_s)


def _weigh(
    link: _Link,
    links: Sequence[_Link],
    apart: Sequence[tuple[int, int]],
    ordered: Sequence[Placed],
    library: Library,
) -> _Link:
    """Ask the signals of two recordings when one of them could belong to two athletes."""
    if link.is_confirmed or not apart:
        return link
    for index in (link.first, link.second):
        partners = {
            other.second if other.first == index else other.first
            for other in links
            if index in {other.first, other.second}
        }
        if any(first in partners and second in partners for first, second in apart):
            likeness = library.measure_likeness(ordered[link.first], ordered[link.second])
            return replace(link, likeness=likeness)
    return link


def _connect(
    n: int, links: Sequence[_Link], apart: Sequence[tuple[int, int]]
) -> list[frozenset[int]]:
    groups: dict[int, frozenset[int]] = {index: frozenset({index}) for index in range(n)}
    enemies: dict[int, set[int]] = {index: set() for index in range(n)}
    for first, second in apart:
        enemies[first].add(second)
        enemies[second].add(first)
    for link in links:
        one, other = groups[link.first], groups[link.second]
        if one is other or any(enemies[index] & other for index in one):
            continue
        joined = one | other
        for index in joined:
            groups[index] = joined
    distinct = {min(group): group for group in groups.values()}
    return [distinct[first] for first in sorted(distinct)]


def _find_duplicates(
    group: Group, library: Library, *, settings: PairSettings
) -> tuple[list[Placed], dict[str, str]]:
    """Return the recordings that are used, by start, and the used one for each duplicate."""
    if len(group) == 1:
        return list(group), {}
    richest_first = sorted(group, key=lambda one: measure_richness(one, library), reverse=True)
    used: list[Placed] = []
    duplicates: dict[str, str] = {}
    for placed in richest_first:
        richer = next(
            (
                one
                for one in used
                if are_duplicates(one, placed, library, min_share=settings.min_overlap_share)
            ),
            None,
        )
        if richer is None:
            used.append(placed)
        else:
            duplicates[placed.recording_id] = richer.recording_id
    return order_placed(used), duplicates


def _find_pieces(
    used: Sequence[Placed], library: Library, *, settings: PairSettings
) -> dict[str, str]:
    """Return the piece before it for each recording that goes on from one of the same unit."""
    continues: dict[str, str] = {}
    for index, placed in enumerate(used):
        for before in reversed(used[:index]):
            gap_s = -find_overlap_s(before, placed)
            if (
                follows(before, placed)
                and gap_s <= settings.max_piece_gap_s
                and before.candidate.device_id == placed.candidate.device_id
                and are_one_sport(before, placed)
                and before.recording_id not in continues.values()
                and are_one_unit(before, placed, library) is not False
            ):
                continues[placed.recording_id] = before.recording_id
                break
    return continues


def _find_alike(used: Sequence[Placed], *, settings: PairSettings) -> dict[str, str]:
    """Note recordings of one time under the name of one device: they are of two units."""
    notes: dict[str, str] = {}
    for index, placed in enumerate(used):
        for other in used[:index]:
            if (
                placed.candidate.device_id == other.candidate.device_id
                and find_overlap_share(placed, other) >= settings.min_overlap_share
            ):
                text = (
                    "another unit that looks the same recorded at once; name both in devices.toml"
                )
                notes[placed.recording_id] = notes[other.recording_id] = text
    return notes
