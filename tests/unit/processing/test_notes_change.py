"""Notes before, with and days after the exports: what they touch is measured again, no more."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from config.home import Home
from config.settings import load_settings
from tasks.core.provenance import begin_run
from tasks.ingest.exports import Dropped, ingest_file
from tasks.processing import Summary, commit, finish, measure_planned, prepare
from tasks.store import read_store

if TYPE_CHECKING:
    from pathlib import Path

SETTINGS = load_settings()
MONDAY = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
TUESDAY = MONDAY + timedelta(days=1)
DEVICES = """
[[device]]
id = "watch"
name = "Watch"
role = "test"
match = [{filename = "*watch*"}]
"""
HEAD = "start,device,distance_m,battery start,battery end,wrist\n"


@dataclass
class Line:
    """A home; each run takes what is dropped, measures what it touches and stores it."""

    home: Home

    def run(self, **files: str) -> tuple[list[str], Summary]:
        """Drop files (names with `__` for dots); return the workouts measured and the summary."""
        for name, text in files.items():
            path = self.home.inbox / name.replace("__", ".")
            path.write_text(text)
            ingest_file(Dropped(path, path.name), home=self.home, settings=SETTINGS, move=True)
        prepared = prepare(self.home, SETTINGS)
        outcomes = [
            measure_planned(planned, home=self.home, settings=SETTINGS)
            for planned in prepared.plan.workouts
        ]
        run = begin_run("drop", settings_hash=SETTINGS.hash_of_values)
        summary = commit(
            prepared, outcomes, run=run, home=self.home, settings=SETTINGS, wait_s=10.0
        )
        finish(prepared, outcomes, home=self.home)
        return [outcome.workout_id[:8] for outcome in outcomes], summary

    def ask(self, query: str, *values: str) -> list[tuple[object, ...]]:
        with read_store(self.home) as connection:
            return list(connection.execute(query, list(values)).fetchall())

    def find_rate(self, day: str) -> object:
        """Return the newest battery rate of the workout of a day."""
        rows = self.ask(
            "SELECT arg_max(value, computed_at) FROM results WHERE segment = 'all' AND "
            "metric = 'battery_rate_pct_per_h' AND starts_with(workout_id, ?)",
            day,
        )
        return rows[0][0]


@pytest.fixture
def line(tmp_path: Path) -> Line:
    home = Home(tmp_path)
    home.create()
    home.devices.write_text(DEVICES)
    return Line(home)


def write_export(start: datetime) -> str:
    """Half an hour of heart rate, one value each ten seconds."""
    rows = [
        f"{(start + timedelta(seconds=10 * n)):%Y-%m-%dT%H:%M:%SZ},{120 + n % 7}"
        for n in range(181)
    ]
    return "time,heart_rate\n" + "\n".join(rows) + "\n"


def write_row(start: datetime, end_pct: int) -> str:
    return f"{start.isoformat()},watch,,90,{end_pct},left\n"


def test_notes_may_come_before_their_exports(line: Line) -> None:
    line.run(a__notes__csv=HEAD + write_row(MONDAY, 87))
    measured, _ = line.run(watch__csv=write_export(MONDAY))
    assert measured == ["20260504"]
    # By hand: 3 % in half an hour.
    assert line.find_rate("20260504") == pytest.approx(6.0)


def test_notes_may_come_with_or_after_their_exports_and_say_the_same(line: Line) -> None:
    line.run(watch1__csv=write_export(MONDAY))
    assert line.find_rate("20260504") is None
    measured, _ = line.run(a__notes__csv=HEAD + write_row(MONDAY, 87))
    assert measured == ["20260504"]
    after = line.find_rate("20260504")
    line.run(watch2__csv=write_export(TUESDAY), b__notes__csv=HEAD + write_row(TUESDAY, 87))
    assert line.find_rate("20260505") == after == pytest.approx(6.0)


def test_a_changed_row_touches_its_own_workout_only(line: Line) -> None:
    both = {"watch1__csv": write_export(MONDAY), "watch2__csv": write_export(TUESDAY)}
    line.run(**both, a__notes__csv=HEAD + write_row(MONDAY, 87) + write_row(TUESDAY, 87))
    sheet = HEAD + write_row(MONDAY, 87) + write_row(TUESDAY, 85)
    measured, _ = line.run(a__notes__csv=sheet)
    assert measured == ["20260505"]
    assert line.find_rate("20260505") == pytest.approx(10.0)
    assert line.find_rate("20260504") == pytest.approx(6.0)


def test_a_row_that_was_taken_out_takes_its_values_with_it(line: Line) -> None:
    both = {"watch1__csv": write_export(MONDAY), "watch2__csv": write_export(TUESDAY)}
    line.run(**both, a__notes__csv=HEAD + write_row(MONDAY, 87) + write_row(TUESDAY, 87))
    measured, _ = line.run(a__notes__csv=HEAD + write_row(MONDAY, 87))
    assert measured == ["20260505"]
    (row,) = line.ask(
        "SELECT value, reason FROM results WHERE metric = 'battery_rate_pct_per_h' AND "
        "workout_id LIKE '20260505%' ORDER BY computed_at DESC LIMIT 1"
    )
    assert row[0] is None
    assert "neither the export nor the notes" in str(row[1])
    assert line.ask("SELECT key FROM setups WHERE workout_id LIKE '20260505%'") == []


def test_notes_written_another_way_touch_nothing(line: Line) -> None:
    text = f'start = {MONDAY.isoformat()}\n[setup.watch]\nwrist = "left"\n'
    line.run(watch__csv=write_export(MONDAY), a__notes__toml=text)
    measured, summary = line.run(a__notes__toml="# measured again?\n" + text)
    assert measured == []
    assert not [one for one in summary.workouts if one.is_new]


def test_any_setup_key_can_be_grouped_by(line: Line) -> None:
    text = f'start = {MONDAY.isoformat()}\n[setup.watch]\nwrist = "left"\nstrap_hole = 3\n'
    line.run(watch__csv=write_export(MONDAY), a__notes__toml=text)
    rows = line.ask(
        "SELECT s.value, count(*) FROM results r JOIN setups s USING (workout_id, device_id) "
        "WHERE s.key = 'strap_hole' AND r.metric = 'battery_rate_pct_per_h' GROUP BY s.value"
    )
    assert rows == [("3", 1)]


def test_notes_that_a_workout_used_are_named_by_it(line: Line) -> None:
    line.run(watch__csv=write_export(MONDAY), a__notes__csv=HEAD + write_row(MONDAY, 87))
    ((name,),) = line.ask("SELECT n.name FROM workouts w JOIN notes n ON n.file_id = notes_file_id")
    assert name == "a.notes.csv"


def test_a_segment_outside_and_an_unknown_device_are_named_with_their_lines(line: Line) -> None:
    text = (
        f"start = {MONDAY.isoformat()}\n"
        '[[segment]]\nname = "late"\nfrom = "40:00"\nto = "50:00"\n'
        '[setup.wach]\nwrist = "left"\n'
    )
    _, summary = line.run(watch__csv=write_export(MONDAY), a__notes__toml=text)
    outside, unknown = summary.complaints
    assert outside.startswith("a.notes.toml, line 2: segment 'late' lies outside the workout")
    assert unknown.startswith("a.notes.toml, line 6: the setup counts for nothing: 'wach' is no")
    assert "did you mean 'watch'?" in unknown


def test_a_day_finds_the_only_workout_of_its_device(line: Line) -> None:
    sheet = "date,device,battery start,battery end\n2026-05-04,watch,90,87\n"
    line.run(watch__csv=write_export(MONDAY), a__notes__csv=sheet)
    assert line.find_rate("20260504") == pytest.approx(6.0)
