"""Which value of a recording, segment and metric counts: the one against the best reference."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Any

from tasks.core.registers import METRICS

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

Row = dict[str, Any]


def mark_main_rows(rows: Iterable[Row]) -> list[Row]:
    """Return rows of `results` with `is_main` filled, in their order.

    Of a recording, segment and metric the row against the best reference that gave a value is the
    main one; where none gave one, that of the best reference, which says why. A difference from a
    device that is no reference is never one, except where a metric asks for nothing else.
    """
    kept = list(rows)
    groups: dict[tuple[str, str, str], list[int]] = defaultdict(list)
    for number, row in enumerate(kept):
        groups[row["recording_id"], row["segment"], row["metric"]].append(number)
    chosen = {_choose([(number, kept[number]) for number in group]) for group in groups.values()}
    return [{**row, "is_main": number in chosen} for number, row in enumerate(kept)]


def _choose(group: Sequence[tuple[int, Row]]) -> int | None:
    counting = [(number, row) for number, row in group if _may_count(row)]
    best = min(
        counting,
        key=lambda one: (one[1]["value"] is None, one[1]["reference_rank"] or 0),
        default=None,
    )
    return None if best is None else best[0]


def _may_count(row: Row) -> bool:
    metric = METRICS.get(row["metric"])
    is_about_two = metric is not None and metric.against == "battery"
    return row["reference_kind"] != "comparison" or is_about_two
