"""Takes up the plan of a test: keeps each version with its date, and makes its rows."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from config.plan import PlanFileError, read_plan
from tasks.archive.plans import date_plan, list_items, list_plans, take_up_plan
from tasks.core.activities import ACTIVITIES, PLACES
from tasks.core.discovery import load_metrics
from tasks.core.registers import METRICS
from tasks.tables.answer_columns import SURROUNDINGS

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from config.home import Home
    from config.plan import DatedPlan, Plan, PlanFile

Row = dict[str, Any]


@dataclass(frozen=True)
class TakenUp:
    """The plan that holds, the rows of `plan` and `plan_history`, and what is wrong with it."""

    plan: DatedPlan | None = None
    rows: tuple[Row, ...] = ()
    history: tuple[Row, ...] = ()
    complaints: tuple[str, ...] = ()


def take_up(home: Home, *, now: datetime | None = None) -> TakenUp:
    """Keep the plan of `home` with its date if it is new, and return what holds.

    A plan that cannot be read is reported, and the newest one that could be read still holds.
    """
    complaints: list[str] = []
    current: PlanFile | None = None
    try:
        current = read_plan(home.plan)
        take_up_plan(home, current, now=now or datetime.now(UTC))
    except PlanFileError as error:
        kept = list_plans(home)
        current = kept[-1].file if kept else None
        place = home.plan if error.line is None else f"{home.plan}, line {error.line}"
        held = (
            f"the plan of {kept[-1].archived_at:%Y-%m-%d} still holds" if kept else "no plan holds"
        )
        complaints.append(f"{place}: {error}; {held} until it is corrected")
    dated = date_plan(home, current)
    return TakenUp(dated, tuple(_make_rows(dated)), tuple(_make_history(home)), tuple(complaints))


def find_faults(plan: Plan, device_ids: Collection[str]) -> Iterator[str]:
    """Say in one line each what a plan names that nobody knows."""
    load_metrics()
    for name in (plan.device, *plan.against):
        yield from _suggest("device", name, device_ids, "devices.toml lists them")
    for metric in plan.margins:
        yield from _suggest("metric", metric, METRICS, "coworn metrics lists them")
        if metric in METRICS and METRICS[metric].better == "none":
            yield f"{metric} is neither better high nor better low: no margin goes with it"
    for one in plan.wanted:
        if one.activity is not None:
            yield from _suggest("activity", one.activity, ACTIVITIES, ", ".join(ACTIVITIES))
        if one.place is not None:
            places = (*SURROUNDINGS, *(place for place in PLACES if place not in SURROUNDINGS))
            yield from _suggest("place", one.place, places, ", ".join(places))


def _suggest(kind: str, name: str, known: Collection[str], where: str) -> Iterator[str]:
    if name in known:
        return
    near = difflib.get_close_matches(name, known, n=1)
    remedy = f"did you mean {near[0]!r}?" if near else where
    yield f"there is no {kind} {name!r}; {remedy}"


def _make_rows(dated: DatedPlan | None) -> Iterator[Row]:
    if dated is None:
        return
    for item, row in list_items(dated.plan).items():
        yield {**row, "plan_id": dated.plan_id, "since": dated.since[item]}


def _make_history(home: Home) -> Iterator[Row]:
    for one in list_plans(home):
        yield {
            "plan_id": one.file.plan_id,
            "archived_at": one.archived_at,
            "plan_text": one.file.text,
        }
