"""`coworn answers`, `coworn plan` and `coworn figure` on a home with a ride and a swim."""

from __future__ import annotations

import shutil
import xml.etree.ElementTree as ET
from typing import TYPE_CHECKING

import pytest

from flows.cli import main
from tasks.store import connect_for_reading
from tests.unit.report_home import POOL, RIDE, build_home

if TYPE_CHECKING:
    from pathlib import Path

    from config.home import Home

PLAN = """
device = "alder-2"
against = ["alder-1"]
[margins]
hr_mae_bpm = 2
[[wanted]]
place = "outdoors"
workouts = 6
[[wanted]]
activity = "swimming"
workouts = 4
[balance]
wrist = ["left", "right"]
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Home:
    return build_home(tmp_path_factory.mktemp("answers"), RIDE, POOL)


@pytest.fixture
def home(made: Home, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Home:
    """A copy of the home, which a test may change; commands may leave for another folder."""
    monkeypatch.chdir(tmp_path)
    shutil.copytree(made.root, tmp_path / "home", symlinks=True)
    return type(made)(tmp_path / "home")


def run(home: Home, *words: str) -> int:
    return main([*words, "--home", str(home.root)])


def find_workout(home: Home) -> str:
    connection = connect_for_reading(home)
    try:
        found = connection.execute(
            "SELECT workout_id FROM workouts WHERE activity = 'mountain-biking'"
        ).fetchone()
    finally:
        connection.close()
    assert found is not None
    return str(found[0])


def test_answers_are_sorted_by_what_may_be_done_with_them(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(home, "answers", "Alder 2") == 0
    said = capsys.readouterr().out
    assert said.startswith("Alder 2: 2 workouts, compared with ")
    assert "Write it with its count" in said
    assert "Leave it open" in said
    assert "No plan was made beforehand" in said


def test_markdown_is_to_be_pasted_and_has_the_caution(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(home, "answers", "alder-2", "--markdown") == 0
    said = capsys.readouterr().out
    assert said.startswith("# Alder 2: 2 workouts")
    assert "## Heart rate" in said
    assert "no medical advice" in said


def test_a_device_that_nobody_knows_is_named_with_what_to_do(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(home, "answers", "alder-9") == 2
    assert capsys.readouterr().err == (
        "coworn: alder-9: there is no such device; coworn devices lists them all\n"
    )


def test_without_a_plan_one_to_begin_with_is_shown_and_written_once(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(home, "plan") == 0
    shown = capsys.readouterr().out
    assert 'device = "alder-2"' in shown
    assert not home.plan.exists()
    assert run(home, "plan", "--write") == 0
    assert home.plan.read_text() in shown
    capsys.readouterr()
    assert run(home, "plan") == 0
    assert run(home, "plan", "--write") == 2
    assert "there is a plan already" in capsys.readouterr().err


def test_a_plan_is_dated_counted_and_told_to_have_come_too_late(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    home.plan.write_text(PLAN)
    assert run(home, "plan") == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "2 of 10 workouts" in said
    assert "came after the first workout" in said
    assert "any activity, outdoors 1 6 5" in said
    assert "swimming, anywhere 1 4 3" in said
    assert "Wrist was left in all 2 workouts: wear another one next." in said
    connection = connect_for_reading(home)
    try:
        margins = connection.execute(
            "SELECT name, number FROM plan WHERE item = 'margin'"
        ).fetchall()
        history = connection.execute("SELECT count(*) FROM plan_history").fetchone()
    finally:
        connection.close()
    assert margins == [("hr_mae_bpm", 2.0)]
    assert history == (1,)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (PLAN.replace("alder-1", "alder-7"), "there is no device 'alder-7'; did you mean"),
        (PLAN.replace("hr_mae_bpm", "hr_maee_bpm"), "did you mean 'hr_mae_bpm'?"),
        (PLAN.replace("workouts = 6", "workouts = 0"), "plan.toml, line 8"),
    ],
)
def test_a_plan_with_a_fault_is_refused_in_one_line_and_not_kept(
    text: str, said: str, home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    home.plan.write_text(text)
    assert run(home, "plan") in {1, 2}
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1
    assert not home.plans.exists()


def test_one_chart_of_a_stretch_is_written_and_other_words_are_refused(
    home: Home, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    workout = find_workout(home)
    out = tmp_path / "one.svg"
    stretch = ("--from", "12:25", "--to", "12:40")
    assert run(home, "figure", workout, "heart_rate", *stretch, "--out", str(out)) == 0
    root = ET.fromstring(out.read_text())  # noqa: S314 - our own file
    assert (root.get("width"), root.get("height")) == ("1600", "900")
    assert "12:30" in out.read_text()
    assert "13:10" not in out.read_text()
    capsys.readouterr()
    for words, said in (
        ((workout, "hart_rate"), "no such chart of this workout; there are"),
        ((workout, "heart_rate", "--from", "3:00", "--to", "4:00"), "outside the workout"),
        ((workout, "heart_rate", "--from", "noon"), "times of day are hh:mm"),
        (("nobody", "hr_mae_bpm"), "there is no such workout or device"),
        ((workout, "heart_rate", "--out", "x.pdf"), "figures are .svg or .png"),
    ):
        assert run(home, "figure", *words) == 2
        assert said in capsys.readouterr().err


def test_a_chart_of_a_device_is_a_metric_and_takes_png(home: Home, tmp_path: Path) -> None:
    out = tmp_path / "two.png"
    assert run(home, "figure", "alder-2", "distance_error_pct", "--out", str(out)) in {0, 2}
    assert run(home, "figure", "alder-2", "hr_lock_s", "--size", "tall", "--out", str(out)) == 0
    assert out.read_bytes().startswith(b"\x89PNG")
    # Width and height stand in the header of a PNG (PNG specification, 11.2.2 IHDR).
    assert [int.from_bytes(out.read_bytes()[at : at + 4], "big") for at in (16, 20)] == [1080, 1350]
