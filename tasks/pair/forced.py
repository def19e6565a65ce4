"""What a person says of which recordings are one workout goes before what their times say."""

from __future__ import annotations

from collections import Counter, defaultdict
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tasks.core.members import Grouping
    from tasks.pair.grouping import Group
    from tasks.pair.library import Placed


def regroup(groups: Sequence[Group], grouping: Grouping) -> tuple[list[Group], set[int]]:
    """Return the groups as `grouping` wants them, and which of them it put together.

    What was recorded beside recordings that belong together goes with most of them; beside those
    that stand apart, it stays where it is.
    """
    labels = _label(grouping)
    joined: dict[tuple[str, int], list[Placed]] = defaultdict(list)
    others: list[Group] = []
    for group in groups:
        free: list[Placed] = []
        here: Counter[tuple[str, int]] = Counter()
        for placed in group:
            label = labels.get(placed.recording_id)
            if label is None:
                free.append(placed)
                continue
            joined[label].append(placed)
            if label[0] == "together":
                here[label] += 1
        if free and here:
            joined[min(here, key=lambda label: (-here[label], label))] += free
        elif free:
            others.append(tuple(free))
    found = [*others, *(tuple(members) for members in joined.values())]
    put_together = {
        number for number, label in enumerate(joined, start=len(others)) if label[0] == "together"
    }
    return found, put_together


def _label(grouping: Grouping) -> dict[str, tuple[str, int]]:
    """Return what each recording was put into last."""
    labels: dict[str, tuple[str, int]] = {}
    for number, (kind, recording_ids) in enumerate(grouping.sets):
        labels |= dict.fromkeys(recording_ids, (kind, number))
    return labels
