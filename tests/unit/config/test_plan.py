from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from config.plan import HORIZON, PlanFileError, Wanted, parse_plan, read_plan

if TYPE_CHECKING:
    from pathlib import Path

WHOLE = """
device = "maple-2"
against = ["maple-1", "elm"]
begin = 2026-05-01
end = 2026-06-30
[margins]
hr_mae_bpm = 1
[[wanted]]
activity = "running"
place = "outdoors"
workouts = 5
[[wanted]]
place = "indoors"
workouts = 3
[balance]
wrist = ["left", "right"]
"""
SHORT = 'device = "a"\nagainst = ["b"]\n'


def test_a_plan_names_devices_margins_workouts_and_what_to_balance() -> None:
    plan = parse_plan(WHOLE).plan
    assert (plan.device, plan.opponent, plan.against) == ("maple-2", "maple-1", ("maple-1", "elm"))
    assert plan.margins == {"hr_mae_bpm": 1.0}
    assert plan.wanted[1] == Wanted(place="indoors", workouts=3)
    assert plan.balance == {"wrist": ("left", "right")}
    assert (plan.planned_workouts, plan.horizon) == (8, HORIZON)


def test_the_number_of_workouts_is_that_which_is_named_else_the_sum_of_those_wanted() -> None:
    assert parse_plan(SHORT + "workouts = 12\n").plan.planned_workouts == 12
    assert parse_plan(SHORT + "[[wanted]]\nworkouts = 6\n").plan.planned_workouts == 6


def test_a_home_without_a_plan_has_none(tmp_path: Path) -> None:
    assert read_plan(tmp_path / "plan.toml") is None


def test_a_comment_makes_no_new_plan_and_another_number_does(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(WHOLE, encoding="utf-8")
    first = read_plan(path)
    assert first is not None
    assert first.plan_id == parse_plan(WHOLE).plan_id
    assert first.plan_id == parse_plan(WHOLE + "# later\n").plan_id
    assert first.plan_id != parse_plan(WHOLE.replace("= 5", "= 6")).plan_id


@pytest.mark.parametrize(
    ("text", "line", "said"),
    [
        ("device = 1", 1, "device = 1: input should be a valid string"),
        ('device = "a"', None, "against is missing"),
        ('device = "a"\nagainst = ["a"]\nworkouts = 8', None, "not compared with itself"),
        ('device = "a"\nagainst = ["b", "b"]\nworkouts = 8', None, "stands twice"),
        (SHORT, None, "say how many workouts"),
        (SHORT + "workouts = 3", None, "3 workouts show no difference"),
        (SHORT + "workouts = 8\nfoo = 1", 4, "unknown key 'foo'"),
        (SHORT + "[[wanted]]\nworkouts = 0", 4, "greater than 0"),
        (SHORT + "workouts = 8\n[margins]\nhr_mae_bpm = -1", 5, "greater than 0"),
        (
            SHORT + "workouts = 8\nbegin = 2026-05-02\nend = 2026-05-01",
            None,
            "the end is before the begin",
        ),
        (SHORT + "workouts = ", 3, "invalid value"),
    ],
)
def test_what_is_wrong_in_a_plan_is_named_with_its_line(
    text: str, line: int | None, said: str
) -> None:
    with pytest.raises(PlanFileError, match=said) as caught:
        parse_plan(text)
    assert caught.value.line == line


def test_a_plan_that_is_no_text_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(PlanFileError, match="UTF-8"):
        read_plan(path)
