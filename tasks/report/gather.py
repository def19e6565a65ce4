"""Gathers everything that one page shows, from the tables and from the lake."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from tasks.report import read
from tasks.report.facts import ALL, CourseLine, DeviceData, WorkoutData
from tasks.report.outline_lines import STEP_M, fill_line, find_near
from tasks.report.series import read_battery, read_lengths, read_pairs, read_series

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping, Sequence

    import duckdb
    import numpy as np
    from numpy.typing import NDArray

    from config.settings import Settings
    from tasks.report.facts import Definition, DeviceFacts, WorkoutFacts

    Floats = NDArray[np.float64]

#: What stands before the name of a course in the column `reference`.
COURSE: Final = "course:"


def gather_workout(
    connection: duckdb.DuckDBPyConnection,
    facts: WorkoutFacts,
    *,
    devices: Mapping[str, DeviceFacts],
    definitions: Mapping[str, Definition],
    settings: Settings,
    courses: Callable[[str], Floats | None] | None = None,
    outlines: Sequence[Floats] = (),
) -> WorkoutData:
    """Read all that the page of one workout shows; `courses` gives reference lines by name.

    `outlines` are lines (n, 2) for the background of its map: latitude, longitude [deg].
    """
    workout_id = facts.workout_id
    data = WorkoutData(
        facts=facts,
        recordings=read.read_recordings(connection, workout_id, devices=devices),
        results=read.read_results(connection, workout_id=workout_id),
        findings=read.read_findings(connection, workout_id=workout_id),
        parts=read.read_parts(connection, workout_id),
        exclusions=read.read_exclusions(connection, workout_id),
        setups=read.read_setups(connection, column="workout_id", value=workout_id),
        definitions=definitions,
        settings=settings.report,
        heart_rate=settings.heart_rate,
    )
    series = {one.recording_id: read_series(connection, facts, one) for one in data.recordings}
    return replace(
        data,
        series=series,
        outlines=find_near(outlines, series.values()),
        pairs=read_pairs(connection, facts, references=find_references(data)),
        battery={one.recording_id: read_battery(connection, facts, one) for one in data.recordings},
        lengths={one.recording_id: read_lengths(connection, one) for one in data.recordings},
        course=None if courses is None else _find_course(data, courses),
    )


def _find_course(data: WorkoutData, courses: Callable[[str], Floats | None]) -> CourseLine | None:
    """Return the course that any track was compared with, None when none was."""
    names = {
        (one.reference or "").removeprefix(COURSE)
        for one in data.results
        if one.metric.startswith("track_")
        and one.value is not None
        and (one.reference or "").startswith(COURSE)
    }
    name = next(iter(sorted(names)), None)
    line = None if name is None else courses(name)
    if name is None or line is None:
        return None
    latitude_deg, longitude_deg = fill_line(line[:, 0], line[:, 1], step_m=STEP_M)
    return CourseLine(name, latitude_deg, longitude_deg)


def find_references(data: WorkoutData) -> dict[str, str]:
    """Return, by test recording, what its heart rate is compared with first.

    That of the value that counts, as `results` names it: a device, or the consensus.
    """
    found: dict[str, str] = {}
    for one in data.recordings:
        result = data.find(one.recording_id, "hr_mae_bpm")
        if result is not None and result.value is not None and result.reference is not None:
            found[one.recording_id] = result.reference
    return found


def gather_device(
    connection: duckdb.DuckDBPyConnection,
    device: DeviceFacts,
    *,
    workouts: Mapping[str, WorkoutFacts],
    definitions: Mapping[str, Definition],
    settings: Settings,
    metrics: Collection[str],
    devices: Mapping[str, DeviceFacts],
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
        levels=read.read_answers(connection, "levels", device.device_id),
        limits=read.read_answers(connection, "limits", device.device_id),
        devices=devices,
    )
