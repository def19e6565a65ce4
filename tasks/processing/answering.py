"""Renews what is answered across workouts, for the devices that a run touched.

To answer takes time that grows with the number of workouts, and one of hundreds changes little.
So a drop renews the answers about a device once its touched workouts are a hundredth of all that
it recorded: with up to 100 each time. What waits is done by the night, by `coworn nightly`, and
by everything that looks at all workouts.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from tasks.store import append_rows, hash_declarations, recall_fact, remember_fact
from tasks.tables.arrow import make_rows
from tasks.verdicts.across import look_across

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    import duckdb

    from config.plan import DatedPlan
    from config.settings import Settings
    from tasks.core.provenance import Run
    from tasks.processing.compute import WorkoutOutcome
    from tasks.processing.plan import Plan

#: Share of a device's workouts that may be newer than the answers about it.
NEWER_SHARE: Final = 0.01
#: What the store remembers of the last look at all answers.
_ANSWERED_BY: Final = "answered_by"
#: What it remembers of the devices whose answers wait: how many of their workouts were touched.
_WAITING: Final = "answers_waiting"
_WORN: Final = """
SELECT device_id, count(DISTINCT workout_id) FROM recordings
WHERE list_contains(?, device_id) AND duplicate_of IS NULL GROUP BY device_id
"""


@dataclass(frozen=True)
class Answered:
    """How many answers were new, and the devices whose answers wait for the night."""

    n_new: int = 0
    waiting: tuple[str, ...] = ()


def renew_answers(
    connection: duckdb.DuckDBPyConnection,
    settings: Settings,
    plan: DatedPlan | None,
    *,
    run: Run,
    touched: Mapping[str, int],
    everything: bool,
) -> Answered:
    """Append the answers that differ.

    `touched` has the number of touched workouts of each device; with `everything`, or after a
    change of settings, plan or version, all questions are asked. Without anything touched the
    others still hold.
    """
    mark = _mark_answers(settings, plan, run)
    if everything or recall_fact(connection, _ANSWERED_BY) != mark:
        n_new = _append(connection, settings, plan, run=run)
        remember_fact(connection, _ANSWERED_BY, mark)
        if _recall_waiting(connection):
            remember_fact(connection, _WAITING, "{}")
        return Answered(n_new)
    if not touched:
        return Answered()
    waiting = Counter(_recall_waiting(connection)) + Counter(touched)
    worn = dict(connection.execute(_WORN, [sorted(touched)]).fetchall())
    due = {name for name in touched if waiting[name] >= NEWER_SHARE * worn.get(name, 0)}
    n_new = _append(connection, settings, plan, run=run, devices=due) if due else 0
    left = {name: n for name, n in sorted(waiting.items()) if name not in due}
    if left != _recall_waiting(connection):
        remember_fact(connection, _WAITING, json.dumps(left))
    return Answered(n_new, tuple(left))


def count_touched(
    connection: duckdb.DuckDBPyConnection, plan: Plan, outcomes: Sequence[WorkoutOutcome]
) -> dict[str, int]:
    """Return the devices of the workouts that a run changes, before it and after it.

    With the number of these workouts. `connection` still says what was before.
    """
    rows = connection.execute(
        "SELECT DISTINCT device_id, workout_id FROM recordings "
        "WHERE list_contains(?, workout_id) OR list_contains(?, recording_id)",
        [
            [*(one.workout_id for one in outcomes), *plan.vanished],
            [
                *plan.gone,
                *plan.unplaced,
                *(row["recording_id"] for one in outcomes for row in one.recordings),
            ],
        ],
    ).fetchall()
    after = {(row["device_id"], row["workout_id"]) for one in outcomes for row in one.recordings}
    return dict(Counter(device_id for device_id, _ in {*rows, *after}))


def _recall_waiting(connection: duckdb.DuckDBPyConnection) -> dict[str, int]:
    found: dict[str, int] = json.loads(recall_fact(connection, _WAITING) or "{}")
    return found


def _mark_answers(settings: Settings, plan: DatedPlan | None, run: Run) -> str:
    """Return twelve hex digits that change with whatever answers depend on beside the rows."""
    planned = "" if plan is None else f"{plan.plan_id} {sorted(plan.since.items())}"
    verdicts = settings.verdicts.model_dump_json()
    parts = [verdicts, planned, run.software_version, hash_declarations()]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:12]


def _append(
    connection: duckdb.DuckDBPyConnection,
    settings: Settings,
    plan: DatedPlan | None,
    *,
    run: Run,
    devices: Collection[str] | None = None,
) -> int:
    """Look across workouts; append the answers that differ and give how many there were.

    With `devices`, only questions are asked that one of these devices is part of.
    """
    appended = 0
    for table, answers in look_across(connection, settings.verdicts, plan, devices=devices):
        rows = [{**row, "run_id": run.run_id} for row in answers]
        appended += append_rows(connection, table, make_rows(table, rows))
    return appended
