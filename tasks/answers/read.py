"""Reads the published tables for the answers: a few statements, whatever the number of workouts."""

from __future__ import annotations

from collections import defaultdict
from datetime import date
from typing import TYPE_CHECKING, Any, Final

from tasks.answers.facts import (
    DeviceFacts,
    Excluded,
    Facts,
    Metric,
    Occurrence,
    PlanFacts,
    Value,
    WorkoutFacts,
)
from tasks.core.firmware import unify_firmware
from tasks.store.setups import QUERY as WORN_SETUPS
from tasks.tables.fetch import fetch_rows

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    import duckdb

_DEVICES: Final = "SELECT device_id, name, role, site FROM devices ORDER BY device_id"

_WORKOUTS: Final = """
SELECT workout_id, epoch(start_utc), epoch(end_utc) - epoch(start_utc),
  coalesce(local_offset_s, 0), coalesce(activity, 'other'), place, surroundings,
  (SELECT list(DISTINCT device_id ORDER BY device_id) FROM recordings
   WHERE recordings.workout_id = workouts.workout_id AND duplicate_of IS NULL)
FROM workouts ORDER BY start_utc, workout_id
"""

_METRICS: Final = """
SELECT metric, arg_max(title, version), arg_max(unit, version), arg_max(better, version)
FROM metric_definitions GROUP BY metric
"""

#: A difference from a device that is no reference is no error, but for battery, which is always so.
_VALUES: Final = """
SELECT device_id, metric, segment, workout_id,
  CASE WHEN reference_kind IS DISTINCT FROM 'comparison' THEN value END,
  reference, reference_kind, reason, n
FROM latest_results
WHERE list_contains(?, metric)
  AND (list_contains(?, segment) OR metric = 'hr_mae_bpm' AND starts_with(segment, 'band:'))
  AND device_id IS NOT NULL
  AND is_excluded IS DISTINCT FROM true
ORDER BY device_id, metric, segment, workout_id, reference_rank, reference, value
"""

#: As the view has it; copies that an older version published lack the view.
_SETUPS: Final = f"""
WITH worn AS ({WORN_SETUPS})
SELECT device_id, key, workout_id, value FROM worn WHERE key <> 'note' ORDER BY ALL
"""  # noqa: S608 - a text of the store's own

_OCCURRENCES: Final = """
SELECT device_id, workout_id, kind, count(*), sum(epoch(end_utc) - epoch(start_utc)),
  arg_max(size, abs(size))
FROM latest_findings WHERE is_excluded IS DISTINCT FROM true GROUP BY ALL ORDER BY ALL
"""

_EXCLUDED: Final = """
SELECT workout_id, device_id, domain, start_utc IS NOT NULL OR end_utc IS NOT NULL, because
FROM exclusions ORDER BY workout_id, number
"""


def read_facts(
    connection: duckdb.DuckDBPyConnection,
    *,
    metrics: Collection[str],
    segments: Collection[str],
    margins: Mapping[str, float],
) -> Facts:
    """Read what answers are made from: the values of `metrics` in `segments`, and all around them.

    `connection` reads the published tables with their views.
    """
    workouts = {row[0]: _make_workout(row) for row in connection.execute(_WORKOUTS).fetchall()}
    plan = _read_plan(connection)
    return Facts(
        devices={row[0]: DeviceFacts(*row) for row in connection.execute(_DEVICES).fetchall()},
        workouts=workouts,
        metrics={row[0]: Metric(*row) for row in connection.execute(_METRICS).fetchall()},
        values=_read_values(connection, metrics, segments, workouts),
        verdicts=fetch_rows(connection, "SELECT * FROM latest_verdicts ORDER BY ALL"),
        setups=_read_setups(connection),
        occurrences=_read_occurrences(connection),
        margins={**margins, **(plan.margins if plan else {})},
        plan=plan,
        excluded=tuple(
            Excluded(*row) for row in connection.execute(_EXCLUDED).fetchall() if row[0] in workouts
        ),
    )


def _make_workout(row: tuple[Any, ...]) -> WorkoutFacts:
    workout_id, start_s, duration_s, offset_s, activity, place, surroundings, device_ids = row
    return WorkoutFacts(
        workout_id,
        start_s,
        duration_s,
        offset_s,
        activity,
        place,
        surroundings,
        tuple(device_ids or ()),
    )


def _read_values(
    connection: duckdb.DuckDBPyConnection,
    metrics: Collection[str],
    segments: Collection[str],
    workouts: Mapping[str, WorkoutFacts],
) -> dict[tuple[str, str, str], dict[str, tuple[Value, ...]]]:
    found: dict[tuple[str, str, str], dict[str, tuple[Value, ...]]] = defaultdict(dict)
    rows = connection.execute(_VALUES, [sorted(metrics), sorted(segments)]).fetchall()
    for device_id, metric, segment, workout_id, *value in rows:
        if workout_id in workouts:
            by_workout = found[device_id, metric, segment]
            by_workout[workout_id] = (*by_workout.get(workout_id, ()), Value(*value))
    return dict(found)


def _read_setups(
    connection: duckdb.DuckDBPyConnection,
) -> dict[tuple[str, str], dict[str, str]]:
    found: dict[tuple[str, str], dict[str, str]] = defaultdict(dict)
    for device_id, key, workout_id, value in connection.execute(_SETUPS).fetchall():
        found[device_id, key][workout_id] = value
    for (_, key), values in found.items():
        if key == "firmware":
            spelled = unify_firmware(values.values())
            values.update({one: spelled[value] for one, value in values.items()})
    return dict(found)


def _read_occurrences(
    connection: duckdb.DuckDBPyConnection,
) -> dict[str, tuple[Occurrence, ...]]:
    found: dict[str, list[Occurrence]] = defaultdict(list)
    for device_id, *rest in connection.execute(_OCCURRENCES).fetchall():
        found[device_id].append(Occurrence(*rest))
    return {device_id: tuple(several) for device_id, several in found.items()}


def _read_plan(connection: duckdb.DuckDBPyConnection) -> PlanFacts | None:
    rows = fetch_rows(connection, "SELECT *, epoch(since) AS since_s FROM plan ORDER BY item, name")
    items: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in rows:
        items[row["item"]].append(row)
    if not rows:
        return None
    asked = [*items["device"], *items["against"], *items["margin"], *items["workouts"]]
    return PlanFacts(
        device=items["device"][0]["value"],
        against=tuple(
            row["name"] for row in sorted(items["against"], key=lambda one: one["number"])
        ),
        workouts=int(items["workouts"][0]["number"]),
        horizon=int(items["horizon"][0]["number"]),
        margins={row["name"]: row["number"] for row in items["margin"]},
        since_s=max(row["since_s"] for row in asked),
        begin=_read_day(items["begin"]),
        end=_read_day(items["end"]),
        wanted=tuple(items["wanted"]),
        balance=tuple(row["name"] for row in items["balance"]),
    )


def _read_day(rows: list[dict[str, Any]]) -> date | None:
    return date.fromisoformat(rows[0]["value"]) if rows else None
