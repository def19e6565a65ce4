"""The page of one device: its results over time and by setup, its findings by kind."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from tasks.core.discovery import load_charts
from tasks.core.registers import CHARTS
from tasks.core.wording import name_kind
from tasks.report.levels import format_levels
from tasks.report.listed import write_when
from tasks.report.pages import make_page_data, pick_whole, render
from tasks.report.sections import PageSection
from tasks.report.verdicts import format_verdicts
from tasks.report.words import ROLES, describe_event

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tasks.report.drawing import Drawing
    from tasks.report.facts import DeviceData, FindingFacts, Result

#: The numbers that the page of a device shows of each workout; its charts draw some of them.
COLUMNS: Final = (
    "hr_mae_bpm",
    "hr_bias_bpm",
    "hr_within_5_bpm_pct",
    "hr_lock_s",
    "distance_error_pct",
    "track_cross_median_m",
    "ascent_error_pct",
    "battery_rate_pct_per_h",
)
_TITLES: Final = {
    "over_time": "Results by activity over time",
    "by_setup": "Results by setup and firmware",
}
#: Drawings of this section stand above the verdicts.
_ANSWERED: Final = "verdicts"
_FOREST: Final = "forest"
_TO_COME: Final = (
    "No figure to publish was written of it yet: the nightly run does it, or now: coworn report"
)


@dataclass(frozen=True)
class WorkoutRow:
    """One workout of the device."""

    workout_id: str
    when: str
    activity: str
    cells: tuple[Result | None, ...]


@dataclass(frozen=True)
class KindRow:
    """One kind of finding of the device, with its latest one in words."""

    kind: str
    count: int
    workouts: int
    words: str
    workout_id: str
    when: str


def draw_device(data: DeviceData) -> dict[str, tuple[Drawing, ...]]:
    """Return the drawings of a device's page by section."""
    load_charts()
    drawings: dict[str, tuple[Drawing, ...]] = defaultdict(tuple)
    for one in CHARTS.values():
        if one.page == "device":
            drawings[one.section] += tuple(one.draw(data))
    return drawings


def render_device(
    data: DeviceData,
    drawings: Mapping[str, tuple[Drawing, ...]],
    *,
    figures: Mapping[str, Mapping[str, str]],
    key: str = "",
) -> str:
    """Return the page of one device; `figures` are the paths of published ones by drawing.

    `key` says what it was made from.
    """
    used = {metric: pick_whole(data.results, metric) for metric in COLUMNS}
    columns = [
        metric
        for metric in COLUMNS
        if any(result.value is not None for result in used[metric].values())
    ]
    definitions = [data.definitions[metric] for metric in columns if metric in data.definitions]
    return render(
        "device.html.j2",
        units=data.settings.units,
        root="../",
        key=key,
        data=data,
        lead=_lead(data),
        sections=[
            PageSection(name, title, drawings[name])
            for name, title in _TITLES.items()
            if drawings.get(name)
        ],
        answered=drawings.get(_ANSWERED, ()),
        figures=figures,
        to_come=_TO_COME if _FOREST in data.settings.figures else "",
        levels=format_levels(
            data.levels, data.limits, definitions=data.definitions, units=data.settings.units
        ),
        verdicts=format_verdicts(
            data.verdicts,
            devices=data.devices,
            definitions=data.definitions,
            units=data.settings.units,
        ),
        kinds=_list_kinds(data),
        headings=[data.definitions[metric].title for metric in columns],
        rows=_list_workouts(data, columns, used),
        definitions=definitions,
        page_data={
            **make_page_data([data.device]),
            "begin_s": 0,
            "begin_local_s": 0,
            "n_seconds": 0,
        },
    )


def _lead(data: DeviceData) -> str:
    device = data.device
    role = ROLES.get(device.role, device.role)
    worn = sum(device.device_id in facts.device_ids for facts in data.workouts.values())
    sensor = {
        "ecg": "heart rate from the heart's electricity",
        "optical": "optical heart rate",
        "none": "no heart rate of its own",
    }.get(device.heart_rate, device.heart_rate)
    return f"Role: {role}; worn at the {device.site}; {sensor}; {worn} workouts."


def _list_kinds(data: DeviceData) -> list[KindRow]:
    by_kind: dict[str, list[FindingFacts]] = defaultdict(list)
    for one in data.findings:
        if one.workout_id in data.workouts:
            by_kind[one.kind].append(one)
    rows = []
    for kind, found in sorted(by_kind.items(), key=lambda item: (-len(item[1]), item[0])):
        latest = max(found, key=lambda one: one.start_s)
        facts = data.workouts[latest.workout_id]
        said = describe_event(
            latest, local_offset_s=facts.local_offset_s or 0, units=data.settings.units
        )
        workouts = len({one.workout_id for one in found})
        rows.append(
            KindRow(
                name_kind(kind), len(found), workouts, said, latest.workout_id, write_when(facts)
            )
        )
    return rows


def _list_workouts(
    data: DeviceData, columns: list[str], used: Mapping[str, Mapping[tuple[str, str], Result]]
) -> list[WorkoutRow]:
    name = data.device.device_id
    own = [facts for facts in data.workouts.values() if name in facts.device_ids]
    return [
        WorkoutRow(
            facts.workout_id,
            write_when(facts),
            facts.activity,
            tuple(used[metric].get((facts.workout_id, name)) for metric in columns),
        )
        for facts in sorted(own, key=lambda one: -one.start_s)
    ]
