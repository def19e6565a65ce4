"""Rows of the published copy in one sentence each, for `coworn explain`."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from tasks.core.wording import count

if TYPE_CHECKING:
    from collections.abc import Mapping


def introduce_workout(row: Mapping[str, Any]) -> str:
    """Say what a workout is."""
    place = "" if row["place"] is None else f" ({row['place']})"
    return (
        f"Workout {row['workout_id']} was recorded by {count(row['n_devices'], 'device')} from "
        f"{show_value(row['start_utc'])} to {show_value(row['end_utc'])}; its activity is "
        f"{row['activity'] or 'unknown'}{place}."
    )


def introduce_recording(row: Mapping[str, Any]) -> str:
    """Say who made a recording, when, and where it belongs."""
    workout = row["workout_id"]
    belongs = "it belongs to no workout" if workout is None else f"it is part of workout {workout}"
    return (
        f"Recording {row['recording_id']} was made by {row['device_id']} from "
        f"{show_value(row['start_utc'])} to {show_value(row['end_utc'])}; {belongs}."
    )


def introduce_device(row: Mapping[str, Any]) -> str:
    """Say what a device is."""
    site = "" if row["site"] is None else f", site {row['site']}"
    return f"Device {row['device_id']} is {row['name']}: role {row['role']}{site}."


def introduce_run(row: Mapping[str, Any]) -> str:
    """Say what a run was and how it ended."""
    return (
        f"Run {row['run_id']} was a {row['flow']} run from {show_value(row['started_at'])} to "
        f"{show_value(row['ended_at'])}; its status is {row['status']}."
    )


def introduce_metric(row: Mapping[str, Any]) -> str:
    """Say what a metric is."""
    return f"{row['metric']} is a metric: {row['title']} [{row['unit']}], version {row['version']}."


def show_value(value: object) -> str:
    """Return a cell as text: instants in UTC, six digits of a number."""
    if isinstance(value, datetime):
        return f"{value.astimezone(UTC):%Y-%m-%d %H:%M:%S}Z"
    if isinstance(value, float):
        return f"{value:.6g}"
    return "" if value is None else str(value)
