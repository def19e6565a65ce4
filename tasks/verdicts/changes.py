"""Verdicts that a run changed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from tasks.tables.fetch import fetch_rows

if TYPE_CHECKING:
    import duckdb

_CHANGES: Final = """
    WITH said AS (
        SELECT v.*, lag(v.verdict) OVER (
            PARTITION BY v.device_id, v.against, v.family, v.place, v.activity, v.segment, v.metric
            ORDER BY r.started_at, v.run_id
        ) AS before
        FROM verdicts v JOIN runs r USING (run_id)
    )
    SELECT device_id AS device, against, family, place, activity, segment, metric, is_primary,
        n_workouts AS workouts, before, verdict
    FROM said
    WHERE run_id = ? AND before IS DISTINCT FROM verdict
        AND NOT (before IS NULL AND verdict = 'too few')
    ORDER BY ALL
"""


def read_changes(connection: duckdb.DuckDBPyConnection, run_id: str) -> list[dict[str, Any]]:
    """Return the questions that the run `run_id` answers otherwise than the run before it.

    No numbers but the count of workouts. A question that was never answered before counts, unless
    its answer is that there are too few workouts.
    """
    return fetch_rows(connection, _CHANGES, [run_id])
