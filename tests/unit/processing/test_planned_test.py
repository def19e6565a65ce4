from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

from config.home import Home
from config.plan import parse_plan
from tasks.processing.planned_test import find_faults, take_up

if TYPE_CHECKING:
    from pathlib import Path

PLAN = 'device = "a"\nagainst = ["b"]\nworkouts = 8\n'
MAY = datetime(2026, 5, 1, tzinfo=UTC)
JUNE = datetime(2026, 6, 1, tzinfo=UTC)


def test_a_plan_becomes_rows_with_the_date_since_when_each_item_holds(tmp_path: Path) -> None:
    home = Home(tmp_path)
    home.plan.write_text(PLAN)
    taken = take_up(home, now=MAY)
    assert {(row["item"], row["name"], row["value"], row["number"]) for row in taken.rows} == {
        ("device", "", "a", None),
        ("against", "b", None, 1.0),
        ("workouts", "", None, 8.0),
        ("horizon", "", None, 30.0),
    }
    assert {row["since"] for row in taken.rows} == {MAY}
    assert [row["plan_text"] for row in taken.history] == [PLAN]
    assert taken.complaints == ()


def test_a_plan_that_was_damaged_later_is_told_and_the_last_good_one_holds(tmp_path: Path) -> None:
    home = Home(tmp_path)
    home.plan.write_text(PLAN)
    take_up(home, now=MAY)
    home.plan.write_text(PLAN + "workouts = 9\n")
    taken = take_up(home, now=JUNE)
    assert taken.plan is not None
    assert taken.plan.plan.planned_workouts == 8
    (complaint,) = taken.complaints
    assert "plan.toml, line 4" in complaint
    assert "the plan of 2026-05-01 still holds" in complaint


def test_a_plan_that_was_taken_away_holds_no_more_and_stays_in_the_history(tmp_path: Path) -> None:
    home = Home(tmp_path)
    home.plan.write_text(PLAN)
    take_up(home, now=MAY)
    home.plan.unlink()
    taken = take_up(home, now=JUNE)
    assert taken.plan is None
    assert taken.rows == ()
    assert len(taken.history) == 1


def test_names_that_nobody_knows_are_told_with_what_was_meant() -> None:
    plan = parse_plan(
        'device = "mapel-2"\nagainst = ["maple-1"]\n[margins]\nhr_mae = 1\nhr_lock_s = 2\n'
        '[[wanted]]\nactivity = "runing"\nplace = "indoors"\nworkouts = 6\n'
    ).plan
    assert list(find_faults(plan, ["maple-1", "maple-2"])) == [
        "there is no device 'mapel-2'; did you mean 'maple-2'?",
        "there is no metric 'hr_mae'; did you mean 'hr_mae_bpm'?",
        "there is no activity 'runing'; did you mean 'running'?",
    ]
