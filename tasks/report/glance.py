"""The numbers that are said first, as one small table: a device a row, a number a column."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from tasks.report.summary import HEADLINES, find_clock

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from tasks.report.facts import DeviceFacts, Result, WorkoutData
    from tasks.report.summary import DeviceSummary

#: The number at the beginning of a reason, e.g. minutes that can be compared.
_NUMBER: Final = re.compile(r"\d+(?= )")


@dataclass(frozen=True)
class GlanceCell:
    """One number with what must stand beside it; empty where the device has none."""

    result: Result | None = None
    remark: str = ""


@dataclass(frozen=True)
class GlanceRow:
    """The first numbers of one device, and how well its clock is known beside the others."""

    device: DeviceFacts
    cells: tuple[GlanceCell, ...]
    clock: str


@dataclass(frozen=True)
class Glance:
    """The table, and why intervals are missing from it."""

    headings: tuple[str, ...]
    rows: tuple[GlanceRow, ...]
    has_clock: bool
    no_interval: tuple[str, ...]


def make_glance(data: WorkoutData, summaries: Sequence[DeviceSummary]) -> Glance:
    """Return the first numbers of all devices that have any; no column is empty."""
    used = {item.result.metric for one in summaries for item in one.heart_rate}
    columns = [(what, metric) for what, metric in HEADLINES if metric in used]
    rows = []
    for one in summaries:
        if not one.heart_rate:
            continue
        found = {item.result.metric: item for item in one.heart_rate}
        cells = tuple(
            GlanceCell(item.result, item.remark)
            if (item := found.get(metric)) is not None
            else GlanceCell()
            for _, metric in columns
        )
        timed = next((cell.result for cell in cells if _is_timed(cell)), None)
        clock = "" if timed is None else find_clock(data, timed) or ""
        rows.append(GlanceRow(one.device, cells, clock))
    results = [cell.result for row in rows for cell in row.cells if cell.result is not None]
    reasons = dict.fromkeys(one.ci_reason for one in results if one.ci_reason)
    return Glance(
        tuple(_head(what, metric, rows, number) for number, (what, metric) in enumerate(columns)),
        tuple(rows),
        any(row.clock for row in rows),
        _join_reasons(reason for reason in reasons if reason),
    )


def _join_reasons(reasons: Iterable[str]) -> tuple[str, ...]:
    """Return reasons that differ only in one number as one with the range of it."""
    alike: dict[str, list[tuple[int, str]]] = {}
    for reason in reasons:
        number = _NUMBER.match(reason)
        rest = reason if number is None else reason[number.end() :]
        alike.setdefault(rest, []).append((0 if number is None else int(number[0]), reason))
    return tuple(
        min(found)[1] if len(found) == 1 else f"{min(found)[0]} to {max(found)[0]}{rest}"
        for rest, found in alike.items()
    )


def _is_timed(cell: GlanceCell) -> bool:
    return cell.result is not None and cell.result.metric == "hr_mae_bpm"


def _head(what: str, metric: str, rows: Sequence[GlanceRow], number: int) -> str:
    """Return a column's heading; differences between devices are not called errors."""
    cells = [row.cells[number] for row in rows if row.cells[number].result is not None]
    if metric.startswith("battery_") or not all(cell.remark for cell in cells):
        return what
    return what.replace("error", "difference")
