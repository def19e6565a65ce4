from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

from config.home import Home
from config.plan import parse_plan
from tasks.archive.plans import date_plan, list_plans, take_up_plan

if TYPE_CHECKING:
    from pathlib import Path

FIRST = 'device = "a"\nagainst = ["b"]\nworkouts = 8\n[margins]\nhr_mae_bpm = 1\n'
MAY = datetime(2026, 5, 1, 8, 0, 0, 250_000, tzinfo=UTC)
JUNE = datetime(2026, 6, 1, tzinfo=UTC)
JULY = datetime(2026, 7, 1, tzinfo=UTC)


def test_a_plan_is_kept_once_with_the_instant_at_which_it_was_first_seen(tmp_path: Path) -> None:
    home = Home(tmp_path)
    assert take_up_plan(home, parse_plan(FIRST), now=MAY)
    assert not take_up_plan(home, parse_plan(FIRST + "# a comment\n"), now=JUNE)
    (kept,) = list_plans(home)
    assert kept.archived_at == MAY
    assert kept.file.text == FIRST


def test_what_a_later_version_leaves_alone_keeps_its_date(tmp_path: Path) -> None:
    home = Home(tmp_path)
    later = parse_plan(FIRST.replace("workouts = 8", "workouts = 10"))
    take_up_plan(home, parse_plan(FIRST), now=MAY)
    take_up_plan(home, later, now=JUNE)
    dated = date_plan(home, later)
    assert dated is not None
    assert dated.archived_at == JUNE
    assert dated.since["margin", "hr_mae_bpm"] == MAY
    assert dated.since["workouts", ""] == JUNE
    assert dated.questions_since == JUNE


def test_a_margin_that_was_changed_and_set_back_is_as_old_as_the_last_change(
    tmp_path: Path,
) -> None:
    home = Home(tmp_path)
    for text, when in (
        (FIRST, MAY),
        (FIRST.replace("= 1\n", "= 3\n"), JUNE),
        (FIRST, JULY),
    ):
        take_up_plan(home, parse_plan(text), now=when)
    dated = date_plan(home, parse_plan(FIRST))
    assert dated is not None
    assert dated.since["margin", "hr_mae_bpm"] == JULY
    assert dated.since["device", ""] == MAY
    assert len(list_plans(home)) == 3


def test_without_a_plan_or_before_it_is_taken_up_there_is_none(tmp_path: Path) -> None:
    home = Home(tmp_path)
    assert date_plan(home, parse_plan(FIRST)) is None
    take_up_plan(home, parse_plan(FIRST), now=MAY)
    assert date_plan(home, None) is None


def test_files_that_are_no_plans_do_no_harm(tmp_path: Path) -> None:
    home = Home(tmp_path)
    take_up_plan(home, parse_plan(FIRST), now=MAY)
    (home.plans / "20260501T080000000000Z-0123456789ab.toml").write_text("nonsense =")
    (home.plans / "20260501T080000000000Z-0123456789ab.building").write_text("devi")
    assert len(list_plans(home)) == 1
