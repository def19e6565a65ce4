"""`coworn exclude`: writes notes that hold after a rebuild, names mistakes, and takes back."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from config.home import Home
from tasks.archive.ledger import Ledger
from tasks.store import connect_for_reading
from tests.commands import run_coworn

ROOT = Path(__file__).resolve().parents[4]
START = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
DEVICES = """
[[device]]
id = "strap"
name = "Old strap"
role = "reference"
site = "chest"
heart_rate = "ecg"
match = [{filename = "strap*"}]
[[device]]
id = "watch"
name = "Watch"
role = "test"
match = [{filename = "watch*"}]
"""


def write_export(higher_bpm: int) -> str:
    rows = [
        f"{START + timedelta(seconds=n):%Y-%m-%dT%H:%M:%SZ},{120 + higher_bpm + 9 * (n // 60 % 5)}"
        for n in range(901)
    ]
    return "time,heart_rate\n" + "\n".join(rows) + "\n"


@pytest.fixture(scope="module")
def dropped(tmp_path_factory: pytest.TempPathFactory) -> Home:
    """A home with one workout; tests that change it take a copy."""
    root = tmp_path_factory.mktemp("exclude")
    home = Home(root / "home")
    home.create()
    home.devices.write_text(DEVICES)
    for name, higher in (("watch.csv", 3), ("strap.csv", 0)):
        (root / name).write_text(write_export(higher))
    assert coworn(home, "ingest", root / "watch.csv", root / "strap.csv")[0] == 0
    return home


@pytest.fixture
def home(dropped: Home, tmp_path: Path) -> Home:
    shutil.copytree(dropped.root, tmp_path / "home", symlinks=True)
    return Home(tmp_path / "home")


def coworn(home: Home, *arguments: object) -> tuple[int, str, str]:
    """Run a command on a home in a process of its own; return exit code, output and errors."""
    environment = {**os.environ, "NO_COLOR": "1"}
    done = run_coworn(*arguments, "--home", home.root, env=environment)
    return done.returncode, done.stdout, done.stderr


def ask(home: Home, query: str) -> list[tuple[object, ...]]:
    connection = connect_for_reading(home)
    try:
        return list(connection.execute(query).fetchall())
    finally:
        connection.close()


RESULTS = "SELECT * EXCLUDE (run_id, computed_at) FROM latest_results ORDER BY ALL"
EXCLUSIONS = (
    "SELECT device_id, domain, start_utc, end_utc, because, name FROM "
    "(SELECT * EXCLUDE (file_id), file_id AS said_by FROM exclusions) "
    "JOIN (SELECT file_id, name FROM notes) ON file_id = said_by"
)


def test_what_is_set_aside_is_shown_holds_after_a_rebuild_and_is_taken_back(home: Home) -> None:
    before = ask(home, RESULTS)
    arguments = ("--device", "Old Strap", "--domain", "heart rate", "--until", "05:00")
    code, shown, errors = coworn(home, "exclude", "2026", *arguments, "--because", "it was dry")
    assert (code, errors) == (0, "")
    assert "set aside: heart rate of strap until 06:05:00 UTC (it was dry)" in shown
    assert "set aside: strap, heart rate until 06:05:00 UTC: it was dry" in shown
    workout_id = str(ask(home, "SELECT workout_id FROM workouts")[0][0])
    end = START + timedelta(minutes=5)
    notes = f"corrections-{workout_id}.notes.toml"
    held = [("strap", "heart_rate", None, end, "it was dry", notes)]
    assert ask(home, EXCLUSIONS) == held
    (page,) = (home.report / "workouts").glob("*.html")
    assert "Heart rate of Old strap until 06:05:00: it was dry" in page.read_text()
    assert coworn(home, "sql", "unused-notes")[1].strip().endswith("0 rows")
    after = ask(home, RESULTS)
    assert coworn(home, "rebuild")[0] == 0
    assert (ask(home, EXCLUSIONS), ask(home, RESULTS)) == (held, after)
    code, shown, _ = coworn(home, "exclude", workout_id, "--undo")
    assert (code, "taken back: heart rate of strap" in shown) == (0, True)
    assert (ask(home, EXCLUSIONS), ask(home, RESULTS)) == ([], before)
    code, shown, errors = coworn(home, "exclude", workout_id, "--undo")
    assert (code, shown) == (2, "")
    assert errors == f"coworn: nothing of {workout_id} is set aside; nothing was done\n"
    # The same again, after it was taken back: the bytes are new, so that it holds.
    assert coworn(home, "exclude", "2026", *arguments, "--because", "it was dry")[0] == 0
    assert ask(home, EXCLUSIONS) == held


MISTAKES = (
    (("2026",), 'give either --because "..." or --undo'),
    (("2026", "--because", "a", "--undo"), 'give either --because "..." or --undo'),
    (("2027", "--because", "a"), "there is no workout '2027'"),
    (("2026", "--because", "a", "--device", "strop"), "did you mean strap?"),
    (("2026", "--because", "a", "--domain", "hart_rate"), "did you mean heart_rate?"),
    (("2026", "--because", "a", "--from", "7h"), "'7h' is no time; write mm:ss"),
    (("2026", "--because", "a", "--from", "40:00"), "06:00:00 to 06:15:00 UTC, 0:15:00 long"),
)
CALLS = """
import sys
from flows import cli
for line in sys.argv[2:]:
    print(cli.main(["exclude", *line.split(","), "--home", sys.argv[1]]), file=sys.stderr)
"""


def test_a_mistake_changes_nothing_and_is_named_in_one_line(dropped: Home) -> None:
    lines = [",".join(words) for words, _ in MISTAKES]
    done = subprocess.run(
        [sys.executable, "-c", CALLS, str(dropped.root), *lines],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
        timeout=240,
    )
    assert done.stdout == ""
    told = done.stderr.splitlines()
    assert len(told) == 2 * len(MISTAKES)
    for number, (_, said) in enumerate(MISTAKES):
        assert said in told[2 * number]
        assert told[2 * number + 1] == "2"
    with Ledger(dropped) as ledger:
        assert len(ledger.list_files()) == 2


def test_what_stands_in_a_persons_notes_is_taken_back_there(home: Home, tmp_path: Path) -> None:
    notes = tmp_path / "dry.notes.toml"
    notes.write_text(f'start = {START.isoformat()}\n[exclude.strap]\nbecause = "dry"\n')
    assert coworn(home, "ingest", notes)[0] == 0
    code, _, errors = coworn(home, "exclude", "2026", "--undo")
    assert code == 2
    assert "stands in the notes dry.notes.toml; drop them again without its [exclude]" in errors
    notes.write_text(f"start = {START.isoformat()}\n")
    assert coworn(home, "ingest", notes)[0] == 0
    assert ask(home, EXCLUSIONS) == []
