"""`coworn status`: what waits, what is outdated, and the newest workouts' numbers."""

from __future__ import annotations

import fcntl
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from config.home import Home
from config.settings import load_settings
from flows.commands.declare import Options
from flows.commands.status import status
from tasks.core.provenance import begin_run
from tasks.ingest.exports import Dropped, ingest_file
from tasks.processing import commit, finish, measure_planned, prepare
from tasks.store import publish

SETTINGS = load_settings()
MONDAY = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
DEVICES = """
[[device]]
id = "strap"
name = "Strap"
role = "reference"
heart_rate = "ecg"
match = [{filename = "strap*"}]
[[device]]
id = "watch"
name = "Watch"
role = "test"
match = [{filename = "watch*"}]
"""


def drop(home: Home, name: str, text: str) -> None:
    path = home.inbox / name
    path.write_text(text)
    ingest_file(Dropped(path, name), home=home, settings=SETTINGS, move=True)


def settle(home: Home) -> None:
    prepared = prepare(home, SETTINGS)
    outcomes = [
        measure_planned(planned, home=home, settings=SETTINGS) for planned in prepared.plan.workouts
    ]
    run = begin_run("drop", settings_hash=SETTINGS.hash_of_values)
    commit(prepared, outcomes, run=run, home=home, settings=SETTINGS, wait_s=10.0)
    finish(prepared, outcomes, home=home)
    publish(home, SETTINGS)


def write_export(day: int, higher_bpm: int) -> str:
    start = MONDAY + timedelta(days=day)
    rows = [
        f"{(start + timedelta(seconds=n)):%Y-%m-%dT%H:%M:%SZ},{120 + higher_bpm + n // 30 % 9}"
        for n in range(900)
    ]
    return "time,heart_rate\n" + "\n".join(rows) + "\n"


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Home:
    """Three days of two devices; the watch reads 3 bpm above the strap."""
    made = Home(tmp_path_factory.mktemp("measured") / "home")
    made.create()
    made.devices.write_text(DEVICES)
    for day in range(3):
        drop(made, f"strap{day}.csv", write_export(day, 0))
        drop(made, f"watch{day}.csv", write_export(day, 3))
    settle(made)
    return made


@pytest.fixture
def home(measured: Home, tmp_path: Path) -> Home:
    """A copy of that home, which a test may change."""
    return Home(Path(shutil.copytree(measured.root, tmp_path / "home", symlinks=True)))


def tell(home: Home, capsys: pytest.CaptureFixture[str], workouts: int = 5) -> list[str]:
    assert status(Options(home.root), workouts=workouts) == 0
    return capsys.readouterr().out.splitlines()


def find(lines: list[str], beginning: str) -> str:
    return next(line for line in lines if line.startswith(beginning))


def test_the_newest_workouts_come_first_with_their_numbers(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = tell(home, capsys)
    heads = [line[:10] for line in lines if "heart rate against strap" in line]
    assert heads == ["2026-05-06", "2026-05-05", "2026-05-04"]
    # Every second is 3 bpm above: MAE = bias = 3 and all within 5, by the metrics' definitions.
    watch = find(lines, "  watch").split()
    # Behind the MAE stands how well the clocks are known: nothing confirms them here.
    assert watch[1:2] + watch[3:7] == ["test", "3.0", "unknown", "+3.0", "100"]


def test_fewer_workouts_say_how_many_more_there_are(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = tell(home, capsys, workouts=1)
    assert [line[:10] for line in lines if "heart rate against" in line] == ["2026-05-06"]
    assert "2 older ones: coworn status --workouts 3" in lines[-3]
    assert not any("older ones" in line for line in tell(home, capsys, workouts=3))


def test_the_end_says_what_to_do_next(home: Home, capsys: pytest.CaptureFixture[str]) -> None:
    assert find(tell(home, capsys), "next").split()[1:5] == ["nothing", "has", "to", "be"]
    (home.inbox / "late.csv").write_text("time,heart_rate\n")
    home.settings.write_text("[heart_rate]\nlock_bpm = 9.0\n")
    *_, first, second = tell(home, capsys)
    assert first == "next       coworn watch takes in 1 file of the inbox"
    assert second.strip() == "coworn nightly measures what is unfinished or outdated"


def test_no_line_is_wider_than_the_terminal(
    home: Home, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    lines = tell(home, capsys)
    begin = lines.index(find(lines, "workout, device"))
    assert max(len(line) for line in lines[begin - 1 :]) <= 60
    assert "role" not in lines[begin]
    assert "findings" in lines[begin]


def test_a_new_setting_outdates_every_workout(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    assert find(tell(home, capsys), "outdated").endswith("none")
    home.settings.write_text("[heart_rate]\nlock_bpm = 9.0\n")
    outdated = find(tell(home, capsys), "outdated")
    assert "3 (20260506" in outdated
    changed = prepare(home, load_settings(home.settings), everything=True).plan.workouts
    assert len(changed) == 3


def test_a_changed_course_outdates_its_workouts_only(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    notes = f'start = {MONDAY:%Y-%m-%dT%H:%M:%SZ}\ncourse = "loop"\n'
    drop(home, "monday.notes.toml", notes)
    assert "monday.notes.toml" in find(tell(home, capsys), "new notes")
    settle(home)
    lines = tell(home, capsys)
    assert not any(line.startswith("new notes") for line in lines)
    assert find(lines, "outdated").endswith("none")
    point = '<rtept lat="47.{0}" lon="8.{0}"/>'
    route = "".join(point.format(number) for number in (1, 2))
    gpx = '<gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1"><rte>'
    (home.courses / "loop.gpx").write_text(f"{gpx}{route}</rte></gpx>")
    assert "1 (20260504" in find(tell(home, capsys), "outdated")


def test_notes_that_fit_no_workout_are_named(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    drop(home, "elsewhen.notes.toml", 'start = 2026-07-01T06:00:00Z\nactivity = "running"\n')
    settle(home)
    assert "1 (elsewhen.notes.toml) without effect" in find(tell(home, capsys), "notes")


def test_changed_devices_are_told(home: Home, capsys: pytest.CaptureFixture[str]) -> None:
    assert not any(line.startswith("devices") for line in tell(home, capsys))
    home.devices.write_text(DEVICES.replace('name = "Watch"', 'name = "Other watch"'))
    assert "devices.toml has changed" in find(tell(home, capsys), "devices")


def test_a_name_that_steers_a_terminal_is_spelled_out(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    drop(home, "a\x1b[31m.notes.toml", 'start = 2026-07-01T06:00:00Z\nactivity = "running"\n')
    assert "\x1b" not in "".join(tell(home, capsys))


def test_a_file_that_another_program_holds_open_is_named_as_such(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    if not hasattr(fcntl, "F_SETLEASE"):
        pytest.skip("this system does not tell who writes")
    path = home.inbox / "late.csv"
    with path.open("w") as file:
        file.write("time,heart_rate\n")
        file.flush()
        lines = tell(home, capsys)
    assert find(lines, "inbox").endswith("1 (late.csv) waiting")
    assert find(lines, "held open").endswith(
        "1 (late.csv), by another program: taken when it lets go"
    )
    assert not any(line.startswith("held open") for line in tell(home, capsys))
    path.unlink()
