"""Rows for a store, and a measurement stored the way a run does it."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

from tasks.store import append_if_changed, open_store, replace_rows
from tasks.tables.arrow import make_rows
from tasks.tables.tables import DEVICES, FINDINGS, RESULTS, WORKOUTS

if TYPE_CHECKING:
    import pyarrow as pa

    from config.home import Home

NOON = datetime(2026, 5, 2, 12, tzinfo=UTC)


def make_results(workout_id: str = "w1", run_id: str = "r1", **changes: object) -> pa.Table:
    """Two values of one recording; `changes` go into the first."""
    first = {
        "run_id": run_id,
        "computed_at": NOON,
        "workout_id": workout_id,
        "recording_id": f"{workout_id}-a",
        "device_id": "alder-2",
        "reference": "strap",
        "segment": "all",
        "metric": "hr_bias_bpm",
        "metric_version": 1,
        "value": 0.1 + 0.2,
        "n": 600,
        "unit": "bpm",
    }
    second = {**first, "metric": "hr_ccc", "value": None, "reason": "too short", "unit": "1"}
    return make_rows(RESULTS, [{**first, **changes}, second])


def make_findings(workout_id: str = "w1", run_id: str = "r1", n: int = 1) -> pa.Table:
    return make_rows(
        FINDINGS,
        [
            {
                "run_id": run_id,
                "workout_id": workout_id,
                "recording_id": f"{workout_id}-a",
                "device_id": "alder-2",
                "kind": "spike",
                "start_utc": NOON,
                "size": 12.0,
                "unit": "bpm",
            }
        ]
        * n,
    )


def make_workouts(*workout_ids: str, **facts: object) -> pa.Table:
    return make_rows(
        WORKOUTS,
        [
            {"workout_id": key, "start_utc": NOON, "activity": "running", **facts}
            for key in workout_ids
        ],
    )


def make_devices(*device_ids: str, **facts: object) -> pa.Table:
    return make_rows(
        DEVICES, [{"device_id": key, "name": key.title(), **facts} for key in device_ids]
    )


def measure(home: Home, workout_id: str = "w1", run_id: str = "r1", **changes: object) -> bool:
    """Store one measurement the way a run does."""
    with open_store(home) as connection:
        replace_rows(connection, "workouts", make_workouts(workout_id))
        replace_rows(connection, "devices", make_devices("alder-2", role="test"))
        return append_if_changed(
            connection,
            workout_id=workout_id,
            run_id=run_id,
            results=make_results(workout_id, run_id, **changes),
            findings=make_findings(workout_id, run_id),
        )
