"""Workouts in a list, on the first page and on the pages of older months."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from tasks.core.wording import count, join_words, write_clock, write_date
from tasks.report import read
from tasks.report.facts import ALL
from tasks.report.files import write_if_changed
from tasks.report.pages import pick_whole, render
from tasks.report.words import STANDING_OUT, summarise_kind
from tasks.tables.fetch import fetch_rows

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    import duckdb

    from config.settings import Settings
    from tasks.core.public_ids import PublicIds
    from tasks.report.facts import Definition, DeviceFacts, Result, WorkoutFacts
    from tasks.report.keys import KeyMaker, PageKeys

#: Workouts on the first page; older ones have a page for each month.
NEWEST: Final = 20
SHOWN: Final = "hr_mae_bpm"
MONTHS: Final = "months"
_MOST_STANDING_OUT: Final = 3
_FOUND: Final = f"""
SELECT workout_id, device_id, kind, count(*) AS n, sum(epoch(end_utc) - epoch(start_utc)) AS seconds
FROM latest_findings WHERE is_excluded IS DISTINCT FROM true AND {read.AMONG}
  AND list_contains(?, device_id)
GROUP BY ALL ORDER BY ALL
"""  # noqa: S608 - our own words


@dataclass(frozen=True)
class WorkoutRow:
    """One workout of a list; one cell per device."""

    facts: WorkoutFacts
    when: str
    stood_out: str
    cells: tuple[Result | None, ...]
    findings: int


@dataclass(frozen=True)
class WorkoutList:
    """Workouts, newest first, and the devices that any of them has a number of."""

    devices: list[DeviceFacts]
    rows: list[WorkoutRow]


@dataclass(frozen=True)
class Month:
    """The older workouts of one month, newest first; `name` is e.g. 2026-05."""

    name: str
    workouts: tuple[WorkoutFacts, ...]

    @property
    def counted(self) -> str:
        """How many there are, in words."""
        return count(len(self.workouts), "workout")


def sort_newest(workouts: Mapping[str, WorkoutFacts]) -> list[WorkoutFacts]:
    """Return the workouts, the newest first."""
    return sorted(workouts.values(), key=lambda one: (-one.start_s, one.workout_id))


def list_months(workouts: Mapping[str, WorkoutFacts]) -> list[Month]:
    """Return the months of the workouts that the first page has no room for, the newest first."""
    months: dict[str, list[WorkoutFacts]] = defaultdict(list)
    for one in sort_newest(workouts)[NEWEST:]:
        local = datetime.fromtimestamp(one.start_s + (one.local_offset_s or 0), UTC)
        months[f"{local:%Y-%m}"].append(one)
    return [Month(name, tuple(found)) for name, found in sorted(months.items(), reverse=True)]


def write_months(
    connection: duckdb.DuckDBPyConnection,
    folder: Path,
    months: Sequence[Month],
    *,
    devices: Mapping[str, DeviceFacts],
    definitions: Mapping[str, Definition],
    settings: Settings,
    maker: KeyMaker,
    keys: PageKeys,
    ids: PublicIds | None = None,
) -> int:
    """Write the pages of months whose workouts have changed; give how many there were."""
    written = 0
    for month in months:
        key = maker.of_month(month.workouts)
        if keys.find(month.name) == key:
            continue
        listed = list_workouts(connection, month.workouts, devices=devices)
        text = render(
            "month.html.j2",
            units=settings.report.units,
            root="../",
            key=key,
            title=f"Workouts of {month.name}",
            counted=month.counted,
            listed=listed,
            definitions=[definitions[SHOWN]] if SHOWN in definitions else [],
        )
        path = folder / MONTHS / f"{month.name}.html"
        written += write_if_changed(path, text if ids is None else ids.rewrite(text))
    return written


def list_workouts(
    connection: duckdb.DuckDBPyConnection,
    workouts: Sequence[WorkoutFacts],
    *,
    devices: Mapping[str, DeviceFacts],
) -> WorkoutList:
    """Return some workouts in their order, with what stood out of the devices under test."""
    ids = [one.workout_id for one in workouts]
    results = pick_whole(
        read.read_results(connection, workout_ids=ids, metrics=[SHOWN], segment=ALL), SHOWN
    )
    counts = read.count_findings(connection, ids)
    stood_out = _read_standing_out(connection, ids, devices=devices)
    order = sorted(devices.values(), key=lambda one: (read.order_role(one.role), one.device_id))
    measured = {key[1] for key, result in results.items() if result.value is not None}
    columns = [one for one in order if one.device_id in measured]
    per_workout: Counter[str] = Counter()
    for (workout_id, _), n in counts.items():
        per_workout[workout_id] += n
    return WorkoutList(
        columns,
        [
            WorkoutRow(
                one,
                write_when(one),
                stood_out.get(one.workout_id, ""),
                tuple(results.get((one.workout_id, device.device_id)) for device in columns),
                per_workout[one.workout_id],
            )
            for one in workouts
        ],
    )


def write_when(facts: WorkoutFacts) -> str:
    """Return local date and time of a workout's start."""
    start = facts.start_s + (facts.local_offset_s or 0)
    return f"{write_date(start)} {write_clock(start, seconds=False)}"


def _read_standing_out(
    connection: duckdb.DuckDBPyConnection,
    workout_ids: Sequence[str],
    *,
    devices: Mapping[str, DeviceFacts],
) -> dict[str, str]:
    """Say in a few words what happened to the devices under test in each workout."""
    tested = read.order_tested(connection, devices)
    found: dict[tuple[str, str], dict[str, str]] = defaultdict(dict)
    for row in fetch_rows(connection, _FOUND, [list(workout_ids), tested]):
        said_of_kind = summarise_kind(row["kind"], row["n"], row["seconds"])
        found[row["workout_id"], row["device_id"]][row["kind"]] = said_of_kind
    said: dict[str, str] = {}
    for workout_id in workout_ids:
        parts = []
        for device_id in tested:
            here = found.get((workout_id, device_id), {})
            words = [here[kind] for kind in STANDING_OUT if kind in here][:_MOST_STANDING_OUT]
            if words:
                parts.append(f"{devices[device_id].name} {join_words(words)}")
        if parts:
            said[workout_id] = f"{'; '.join(parts)}."
    return said
