"""Exports that nothing places in time wait in `refused/`; notes that fit nothing say so at once."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from tasks import processing
from tests.unit.processing.test_late_offset import LOCAL, SETTINGS, Line, make_line, write_export

if TYPE_CHECKING:
    from pathlib import Path

#: Half an hour of seconds elapsed with the heart rates of `write_export`.
ELAPSED = "seconds,hr\n" + "".join(f"{10 * n},{120 + n % 7}\n" for n in range(181))
NOTES = "start = 2026-05-04T07:30:00Z\n"


@pytest.fixture
def line(tmp_path: Path) -> Line:
    return make_line(tmp_path / "home")


def count_rows(line: Line) -> list[tuple[object, ...]]:
    return line.ask(
        "SELECT (SELECT count(*) FROM workouts), (SELECT count(*) FROM recordings), "
        "(SELECT count(*) FROM workouts WHERE start_utc < '2000-01-01')"
    )


def test_what_nothing_places_waits_in_refused_and_is_no_workout(line: Line) -> None:
    line.run(belt__csv=ELAPSED)
    assert count_rows(line) == [(0, 0, 0)]
    file = line.find("belt.csv")
    assert file.status == "refused"
    assert "drop what was recorded beside it" in (file.reason or "")
    assert line.list_refused() == ["belt.csv", "belt.csv.why.txt"]
    assert line.ask("SELECT status FROM files") == [("refused",)]


def test_notes_that_come_later_place_it_and_take_it_out_of_refused(line: Line) -> None:
    line.run(belt__csv=ELAPSED)
    line.run(run__notes__toml=NOTES)
    assert count_rows(line) == [(1, 1, 0)]
    assert line.find("belt.csv").status == "stored"
    assert line.list_refused() == []
    assert line.ask("SELECT strftime(start_utc, '%Y-%m-%d %H:%M') FROM workouts") == [
        ("2026-05-04 07:30",)
    ]


def test_a_new_name_with_a_date_places_it(line: Line) -> None:
    line.run(belt__csv=ELAPSED)
    path = line.home.inbox / "2026-05-04T0730Z.csv"
    path.write_text(ELAPSED)
    line.take(path)
    line.settle()
    assert count_rows(line) == [(1, 1, 0)]
    assert line.list_refused() == []


def test_a_second_run_changes_nothing(line: Line) -> None:
    line.run(belt__csv=ELAPSED, watch__csv=write_export("Z", above_bpm=40))
    before = (count_rows(line), line.list_refused(), line.ask("SELECT count(*) FROM runs"))
    prepared = processing.prepare(line.home, SETTINGS, everything=True)
    assert prepared.plan.vanished == ()
    line.settle()
    after = (count_rows(line), line.list_refused(), line.ask("SELECT count(*) FROM runs"))
    assert before == after
    assert before[0] == [(1, 1, 0)]


# --- notes that fit no workout -----------------------------------------------------------------
def take_notes(line: Line, text: str) -> tuple[str, ...]:
    path = line.home.inbox / "run.notes.toml"
    path.write_text(text)
    line.take(path)
    return processing.prepare(line.home, SETTINGS).hints


def test_notes_that_fit_no_workout_say_so_when_they_are_taken(line: Line) -> None:
    line.run(watch__csv=write_export("Z"))
    (hint,) = take_notes(line, "start = 2026-05-04T09:30:00Z\n")
    assert "no workout was recorded at 2026-05-04 09:30 UTC" in hint
    assert "the nearest began at 2026-05-04 07:30 UTC" in hint
    line.settle()
    assert processing.prepare(line.home, SETTINGS).hints == ()


def test_notes_that_fit_say_nothing(line: Line) -> None:
    line.run(watch__csv=write_export("Z", start=LOCAL + timedelta(days=2)))
    assert take_notes(line, "start = 2026-05-06T07:31:00Z\n") == ()
