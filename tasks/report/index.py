"""The first page: the answers, then workouts and devices, what waits and what was refused."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from tasks.answers import read_answer_facts
from tasks.core.wording import count, join_words, write_clock, write_date
from tasks.report import read
from tasks.report.answers import list_answered, view_answers
from tasks.report.facts import ALL
from tasks.report.minutes import enlarge_minutes
from tasks.report.pages import pick_whole, render
from tasks.report.words import summarise_kind

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    import duckdb

    from config.settings import Settings
    from tasks.answers import Facts
    from tasks.answers.facts import Occurrence
    from tasks.report.facts import Definition, DeviceFacts, Result, WorkoutFacts

#: Workouts in sight; older ones are behind a fold.
_NEWEST: Final = 20
_SHOWN: Final = "hr_mae_bpm"
#: Kinds of finding that stand out in a list of workouts, the first ones first.
_STANDING_OUT: Final = (
    "late_lock",
    "cadence_lock",
    "biased_stretch",
    "missed_rise",
    "dropout",
    "spike",
    "frozen",
    "false_pause",
    "cut_corner",
    "position_jump",
    "position_gap",
    "altitude_jump",
    "stroke_misread",
)
_MOST_STANDING_OUT: Final = 3


@dataclass(frozen=True)
class WorkoutRow:
    """One workout of the index; one cell per device."""

    facts: WorkoutFacts
    when: str
    stood_out: str
    cells: tuple[Result | None, ...]
    findings: int


@dataclass(frozen=True)
class DeviceRow:
    """One device of the index."""

    device: DeviceFacts
    workouts: int
    findings: int


def render_index(
    connection: duckdb.DuckDBPyConnection,
    *,
    workouts: Mapping[str, WorkoutFacts],
    devices: Mapping[str, DeviceFacts],
    definitions: Mapping[str, Definition],
    settings: Settings,
    waiting: Sequence[str] | None,
    with_minutes: bool = True,
) -> str:
    """Return the index; `waiting` are names in the inbox, None leaves waiting and refused out.

    `with_minutes` shows the worst and the typical minutes of each device.
    """
    facts = read_answer_facts(connection, settings)
    answered = list_answered(facts)
    views = [
        view_answers(
            facts,
            one,
            units=settings.report.units,
            minutes=enlarge_minutes(connection, facts, one) if with_minutes else (),
        )
        for one in answered
    ]
    order = sorted(devices.values(), key=lambda one: (read.order_role(one.role), one.device_id))
    counts = read.count_findings(connection)
    rows = _list_workouts(connection, facts, workouts, order=order, counts=counts)
    worn = Counter(name for one in workouts.values() for name in one.device_ids)
    found = Counter[str]()
    for (_, device_id), n in counts.items():
        found[device_id] += n
    return render(
        "index.html.j2",
        units=settings.report.units,
        root="",
        title=_write_title(facts, views[0].device.name if views else None),
        answers=views,
        hints=tuple(_list_hints(facts, bool(views))),
        devices=rows.columns,
        workouts=rows.rows[:_NEWEST],
        older=rows.rows[_NEWEST:],
        device_rows=[DeviceRow(one, worn[one.device_id], found[one.device_id]) for one in order],
        lead=f"{count(len(workouts), 'workout')}, {count(len(devices), 'device')}.",
        waiting=waiting,
        refused=read.read_refused(connection),
        definitions=[definitions[_SHOWN]] if _SHOWN in definitions else [],
    )


def write_when(facts: WorkoutFacts) -> str:
    """Return local date and time of a workout's start."""
    start = facts.start_s + (facts.local_offset_s or 0)
    return f"{write_date(start)} {write_clock(start, seconds=False)}"


@dataclass(frozen=True)
class _Rows:
    columns: list[DeviceFacts]
    rows: list[WorkoutRow]


def _list_workouts(
    connection: duckdb.DuckDBPyConnection,
    facts: Facts,
    workouts: Mapping[str, WorkoutFacts],
    *,
    order: Sequence[DeviceFacts],
    counts: Mapping[tuple[str, str], int],
) -> _Rows:
    """Return the workouts, the newest first, with what stood out of the devices under test."""
    results = pick_whole(read.read_results(connection, metrics=[_SHOWN], segment=ALL), _SHOWN)
    measured = {key[1] for key, result in results.items() if result.value is not None}
    columns = [one for one in order if one.device_id in measured]
    per_workout: Counter[str] = Counter()
    for (workout_id, _), n in counts.items():
        per_workout[workout_id] += n
    tested = [one.device_id for one in facts.list_tested()]
    newest = sorted(workouts.values(), key=lambda one: (-one.start_s, one.workout_id))
    return _Rows(
        columns,
        [
            WorkoutRow(
                one,
                write_when(one),
                _stand_out(facts, tested, one.workout_id),
                tuple(results.get((one.workout_id, device.device_id)) for device in columns),
                per_workout[one.workout_id],
            )
            for one in newest
        ],
    )


def _stand_out(facts: Facts, tested: Sequence[str], workout_id: str) -> str:
    """Say in a few words what happened to the devices under test in one workout."""
    parts = []
    for device_id in tested:
        found = {
            one.kind: one
            for one in facts.occurrences.get(device_id, ())
            if one.workout_id == workout_id
        }
        words = [_summarise(found[kind]) for kind in _STANDING_OUT if kind in found][
            :_MOST_STANDING_OUT
        ]
        if words:
            parts.append(f"{facts.name(device_id)} {join_words(words)}")
    return f"{'; '.join(parts)}." if parts else ""


def _summarise(one: Occurrence) -> str:
    return summarise_kind(one.kind, one.count, one.seconds)


def _write_title(facts: Facts, name: str | None) -> str:
    if name is None:
        return "Workouts and devices"
    first = facts.list_tested()[0]
    n = len(facts.list_worn(first.device_id))
    return f"What {count(n, 'workout')} let you write about {name}"


def _list_hints(facts: Facts, has_answers: bool) -> Iterator[str]:  # noqa: FBT001 - one caller
    """Say what is missing before anything can be answered, and how to add it."""
    if not facts.workouts or has_answers:
        return
    for one in facts.list_tested():
        worn = count(len(facts.list_worn(one.device_id)), "workout")
        yield f"{one.name} was worn in {worn}: answers begin with the second one."
    if not facts.list_tested():
        yield (
            "No device is under test yet, so nothing is answered: name one in devices.toml with "
            'role = "test" (coworn devices prints what to paste).'
        )
    if not any(one.role == "reference" for one in facts.devices.values()):
        yield "No reference is named: devices are compared with each other, which is no error."
