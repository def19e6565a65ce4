"""Gathers everything that one page shows, from the tables and from the lake."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from tasks.report import read
from tasks.report.facts import ALL, DeviceData, WorkoutData
from tasks.report.series import read_battery, read_lengths, read_pairs, read_series

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    import duckdb

    from config.settings import Settings
    from tasks.report.facts import Definition, DeviceFacts, WorkoutFacts


def gather_workout(
    connection: duckdb.DuckDBPyConnection,
    facts: WorkoutFacts,
    *,
    devices: Mapping[str, DeviceFacts],
    definitions: Mapping[str, Definition],
    settings: Settings,
) -> WorkoutData:
    """Read all that the page of one workout shows."""
    workout_id = facts.workout_id
    data = WorkoutData(
        facts=facts,
        recordings=read.read_recordings(connection, workout_id, devices=devices),
        results=read.read_results(connection, workout_id=workout_id),
        findings=read.read_findings(connection, workout_id=workout_id),
        parts=read.read_parts(connection, workout_id),
        setups=read.read_setups(connection, column="workout_id", value=workout_id),
        definitions=definitions,
        settings=settings.report,
        heart_rate=settings.heart_rate,
    )
    return replace(
        data,
        series={one.recording_id: read_series(connection, facts, one) for one in data.recordings},
        pairs=read_pairs(connection, facts, references=find_references(data)),
        battery={one.recording_id: read_battery(connection, facts, one) for one in data.recordings},
        lengths={one.recording_id: read_lengths(connection, one) for one in data.recordings},
    )


def find_references(data: WorkoutData) -> dict[str, str]:
    """Give, by test recording, the recording that its heart rate is held against first.

    A reference device stands before a peer; a consensus is no recording and has no pairs.
    """
    by_device = {one.device.device_id: one for one in data.recordings}
    found: dict[str, str] = {}
    for result in data.results:
        if result.metric != "hr_mae_bpm" or result.segment != ALL or result.value is None:
            continue
        reference = by_device.get(result.reference or "")
        if reference is None:
            continue
        if result.recording_id not in found or reference.device.role == "reference":
            found[result.recording_id] = reference.recording_id
    order = [one.recording_id for one in data.recordings]
    return {recording_id: found[recording_id] for recording_id in order if recording_id in found}


def gather_device(
    connection: duckdb.DuckDBPyConnection,
    device: DeviceFacts,
    *,
    workouts: Mapping[str, WorkoutFacts],
    definitions: Mapping[str, Definition],
    settings: Settings,
    metrics: Collection[str],
) -> DeviceData:
    """Read all that the page of one device shows: of the results only those of `metrics`."""
    return DeviceData(
        device=device,
        workouts=workouts,
        results=read.read_results(
            connection, device_id=device.device_id, segment=ALL, metrics=metrics
        ),
        findings=read.read_findings(connection, device_id=device.device_id),
        verdicts=read.read_verdicts(connection, device.device_id),
        setups=read.read_setups(connection, column="device_id", value=device.device_id),
        definitions=definitions,
        settings=settings.report,
    )
