"""The index: workouts, devices, latest findings, what waits and what was refused."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from tasks.core.wording import count, write_clock, write_date
from tasks.report import read
from tasks.report.facts import ALL
from tasks.report.pages import pick_whole, render
from tasks.report.verdicts import format_verdicts
from tasks.report.words import describe_event

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import duckdb

    from config.report import ReportSettings
    from tasks.report.facts import Definition, DeviceFacts, Result, WorkoutFacts

#: How many findings the index lists, one for each kind in a workout of a device.
_LATEST: Final = 20
_SHOWN: Final = "hr_mae_bpm"


@dataclass(frozen=True)
class WorkoutRow:
    """One workout of the index; one cell per device."""

    facts: WorkoutFacts
    when: str
    cells: tuple[Result | None, ...]
    findings: int


@dataclass(frozen=True)
class DeviceRow:
    """One device of the index."""

    device: DeviceFacts
    workouts: int
    findings: int


@dataclass(frozen=True)
class FindingRow:
    """The greatest finding of a kind in one workout of a device."""

    device: DeviceFacts
    words: str
    workout_id: str
    when: str


def render_index(
    connection: duckdb.DuckDBPyConnection,
    *,
    workouts: Mapping[str, WorkoutFacts],
    devices: Mapping[str, DeviceFacts],
    definitions: Mapping[str, Definition],
    settings: ReportSettings,
    waiting: Sequence[str] | None,
) -> str:
    """Return the index; `waiting` are names in the inbox, None leaves waiting and refused out."""
    results = pick_whole(read.read_results(connection, metrics=[_SHOWN], segment=ALL), _SHOWN)
    counts = read.count_findings(connection)
    order = sorted(devices.values(), key=lambda one: (read.order_role(one.role), one.device_id))
    measured = {key[1] for key, result in results.items() if result.value is not None}
    columns = [one for one in order if one.device_id in measured]
    per_workout: Counter[str] = Counter()
    per_device: Counter[str] = Counter()
    for (workout_id, device_id), n in counts.items():
        per_workout[workout_id] += n
        per_device[device_id] += n
    worn = Counter(name for facts in workouts.values() for name in facts.device_ids)
    newest = sorted(workouts.values(), key=lambda one: (-one.start_s, one.workout_id))
    return render(
        "index.html.j2",
        units=settings.units,
        root="",
        lead=f"{count(len(workouts), 'workout')}, {count(len(devices), 'device')}.",
        devices=columns,
        workouts=[
            WorkoutRow(
                facts,
                write_when(facts),
                tuple(results.get((facts.workout_id, one.device_id)) for one in columns),
                per_workout[facts.workout_id],
            )
            for facts in newest
        ],
        device_rows=[
            DeviceRow(one, worn[one.device_id], per_device[one.device_id]) for one in order
        ],
        verdicts=format_verdicts(
            read.read_verdicts(connection),
            devices=devices,
            definitions=definitions,
            units=settings.units,
            settled_only=True,
        ),
        findings=_list_latest(connection, workouts, devices, settings=settings),
        waiting=waiting,
        refused=read.read_refused(connection),
        definitions=[definitions[_SHOWN]] if _SHOWN in definitions else [],
    )


def write_when(facts: WorkoutFacts) -> str:
    """Return local date and time of a workout's start."""
    start = facts.start_s + (facts.local_offset_s or 0)
    return f"{write_date(start)} {write_clock(start, seconds=False)}"


def _list_latest(
    connection: duckdb.DuckDBPyConnection,
    workouts: Mapping[str, WorkoutFacts],
    devices: Mapping[str, DeviceFacts],
    *,
    settings: ReportSettings,
) -> list[FindingRow]:
    rows = []
    for one, n in read.read_greatest(connection, most=_LATEST):
        facts, device = workouts.get(one.workout_id), devices.get(one.device_id)
        if facts is None or device is None:
            continue
        said = describe_event(one, local_offset_s=facts.local_offset_s or 0, units=settings.units)
        if n > 1:
            said += f" (the greatest of {n})"
        rows.append(FindingRow(device, said, one.workout_id, write_when(facts)))
    return rows
