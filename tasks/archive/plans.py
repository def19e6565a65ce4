"""The plans of a test that were taken up, each as it stood and dated: files in `state/plans/`.

A claim may rest on a plan only if the plan came before the workouts. That is why each version is
kept with the instant at which it was first seen, and why none is ever written over.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

from config.plan import DatedPlan, PlanFileError, parse_plan
from tasks.core.durable import sync_folder

if TYPE_CHECKING:
    from config.home import Home
    from config.plan import Plan, PlanFile

Row = dict[str, Any]

_NAME: Final = re.compile(r"(\d{8}T\d{12}Z)-[0-9a-f]{12}\.toml")
_STAMP: Final = "%Y%m%dT%H%M%S%fZ"


@dataclass(frozen=True)
class ArchivedPlan:
    """A plan with the instant at which it was first seen."""

    file: PlanFile
    archived_at: datetime


def take_up_plan(home: Home, found: PlanFile | None, *, now: datetime) -> bool:
    """Keep `found` with its date if it says something else than the newest plan that is kept.

    Returns whether it did.
    """
    if found is None:
        return False
    kept = list_plans(home)
    if kept and kept[-1].file.plan_id == found.plan_id:
        return False
    home.plans.mkdir(mode=0o700, parents=True, exist_ok=True)
    stamp = now.astimezone(UTC).strftime(_STAMP)
    path = home.plans / f"{stamp}-{found.plan_id[:12]}.toml"
    building = path.with_suffix(".building")
    with building.open("w", encoding="utf-8", newline="") as file:
        file.write(found.text)
        file.flush()
        os.fsync(file.fileno())
    building.replace(path)
    sync_folder(home.plans)
    return True


def list_plans(home: Home) -> tuple[ArchivedPlan, ...]:
    """Return every plan that was taken up, the oldest first; other files are passed over."""
    if not home.plans.is_dir():
        return ()
    found = []
    for path in sorted(home.plans.iterdir()):
        named = _NAME.fullmatch(path.name)
        if named is None:
            continue
        try:
            file = parse_plan(path.read_text(encoding="utf-8"))
        except (PlanFileError, UnicodeDecodeError):
            continue
        found.append(ArchivedPlan(file, datetime.strptime(named[1], _STAMP).replace(tzinfo=UTC)))
    return tuple(found)


def date_plan(home: Home, current: PlanFile | None) -> DatedPlan | None:
    """Return the current plan with the instants from which its items are as they are.

    None without a plan, and for one that was not taken up yet.
    """
    kept = list_plans(home)
    if current is None or not kept or kept[-1].file.plan_id != current.plan_id:
        return None
    since: dict[tuple[str, str], datetime] = {}
    for item, row in list_items(current.plan).items():
        for one in reversed(kept):
            if list_items(one.file.plan).get(item) != row:
                break
            since[item] = one.archived_at
    return DatedPlan(current.plan, current.plan_id, kept[-1].archived_at, since)


def list_items(plan: Plan) -> dict[tuple[str, str], Row]:
    """Return what a plan sets, by item and name: rows of the table `plan` without id and date."""
    rows = [
        _make_item("device", value=plan.device),
        *(
            _make_item("against", name, number=place + 1.0)
            for place, name in enumerate(plan.against)
        ),
        _make_item("workouts", number=float(plan.planned_workouts)),
        _make_item("horizon", number=float(plan.horizon)),
        *(_make_item("margin", name, number=margin) for name, margin in plan.margins.items()),
        *(
            _make_item(
                "wanted",
                str(place + 1),
                number=float(one.workouts),
                activity=one.activity,
                place=one.place,
            )
            for place, one in enumerate(plan.wanted)
        ),
        *(
            _make_item("balance", key, value=", ".join(values))
            for key, values in plan.balance.items()
        ),
    ]
    if plan.begin is not None:
        rows.append(_make_item("begin", value=plan.begin.isoformat()))
    if plan.end is not None:
        rows.append(_make_item("end", value=plan.end.isoformat()))
    return {(row["item"], row["name"]): row for row in rows}


def _make_item(
    item: str,
    name: str = "",
    *,
    value: str | None = None,
    number: float | None = None,
    activity: str | None = None,
    place: str | None = None,
) -> Row:
    return {
        "item": item,
        "name": name,
        "value": value,
        "number": number,
        "activity": activity,
        "place": place,
    }
