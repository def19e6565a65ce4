"""Whatever is dropped however often, wherever and under whatever name counts once."""

from __future__ import annotations

import shutil
import subprocess
import sys
from typing import TYPE_CHECKING

import duckdb
import pytest

from config.settings import load_settings
from tasks.archive.ledger import Ledger
from tests.faults import crash
from tests.faults.kills import ROOT, Starter
from tests.faults.line import run_line

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from config.home import Home

STATUSES = frozenset({"stored", "duplicate", "refused", "partial"})


@pytest.fixture(scope="module")
def drop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("drop") / "files"
    crash.write_exports(folder)
    return folder


@pytest.fixture(scope="module")
def once(drop: Path, tmp_path_factory: pytest.TempPathFactory) -> crash.Contents:
    """What a home says that took the drop once, in one go."""
    home = crash.make_home(tmp_path_factory.mktemp("once") / "home")
    take(home, drop)
    return crash.read_contents(home)


@pytest.fixture
def home(tmp_path: Path) -> Home:
    return crash.make_home(tmp_path / "home")


@pytest.fixture
def starter() -> Iterator[Starter]:
    with Starter() as started:
        yield started


def take(home: Home, drop: Path) -> None:
    shutil.copytree(drop, home.inbox, dirs_exist_ok=True)
    run_line(home, load_settings(home.settings), whole=False)


def test_the_drop_holds_every_way_of_dropping_twice(once: crash.Contents) -> None:
    """Another name and a gzipped copy bring no recording of their own; another format is seen."""
    statuses = {
        row[1]: next(word for word in row if word in STATUSES) for row in once.tables["files"]
    }
    assert len({"again.fit", "2025-11-26-strength-alder-2.fit"} & set(statuses)) == 1
    of_track = {statuses[f"2025-11-16-track-laps-alder-1.{form}"] for form in ("fit", "gpx")}
    assert of_track == {"stored", "duplicate"}
    assert statuses["2025-11-30-birch-damaged.fit"] == "refused"
    assert statuses["local.csv"] == "stored"  # by the offset of its notes
    recordings = [row[0] for row in once.tables["recordings"]]
    assert len(recordings) == len(set(recordings)) == 8


def test_a_second_drop_changes_nothing(once: crash.Contents, home: Home, drop: Path) -> None:
    for _ in range(2):
        take(home, drop)
    assert crash.list_differences(crash.read_contents(home), once) == []


def test_the_same_drop_in_two_homes_at_once_gives_the_same_in_both(
    once: crash.Contents, tmp_path: Path, drop: Path
) -> None:
    homes = [crash.make_home(tmp_path / name) for name in ("one", "two")]
    run_at_once(homes, drop)
    for home in homes:
        assert crash.list_differences(crash.read_contents(home), once) == []


def test_three_programs_that_take_one_drop_at_once_take_it_once(
    once: crash.Contents, home: Home, drop: Path
) -> None:
    run_at_once([home, home, home], drop)
    assert list(home.inbox.iterdir()) == []
    assert crash.list_broken(home, {}) == []
    # Whichever program was late found nothing to do, or did what the others had left.
    take(home, drop)
    found = crash.read_contents(home)
    assert crash.list_differences(found, once) == []


def run_at_once(homes: list[Home], drop: Path) -> None:
    """Run the line in one process per home, all at once."""
    for home in homes:
        shutil.copytree(drop, home.inbox, dirs_exist_ok=True)
    programs = [
        subprocess.Popen(
            [sys.executable, "-c", PROGRAM, str(home.root)],
            cwd=ROOT,
            stderr=subprocess.PIPE,
            text=True,
        )
        for home in homes
    ]
    for program in programs:
        _, said = program.communicate(timeout=180)
        assert program.returncode == 0, said


PROGRAM = """
import sys
from pathlib import Path

from config.home import Home
from config.settings import load_settings
from tests.faults.line import run_line
home = Home(Path(sys.argv[1]))
run_line(home, load_settings(home.settings), whole=False)
"""


def test_an_export_that_is_dropped_again_while_it_is_taken_counts_once(
    once: crash.Contents, home: Home, drop: Path, starter: Starter
) -> None:
    """The line is killed between archive and ledger, and the same files are dropped once more."""
    shutil.copytree(drop, home.inbox, dirs_exist_ok=True)
    for kill_at in (9, 30, 55):
        assert starter.run(home, kill_at=kill_at).was_killed
        shutil.copytree(drop, home.inbox, dirs_exist_ok=True)
    take(home, drop)
    assert crash.list_differences(crash.read_contents(home), once) == []


def test_a_drop_after_the_ledger_was_lost_gives_the_same_recordings(
    once: crash.Contents, home: Home, drop: Path
) -> None:
    """Ids come from bytes: a new ledger finds the same recordings in lake and store."""
    take(home, drop)
    for path in home.state.glob("ledger.sqlite*"):
        path.unlink()
    take(home, drop)
    assert crash.list_broken(home, {}) == []
    found = crash.read_contents(home)
    for table in ("recordings", "workouts", "results"):
        assert found.tables[table] == once.tables[table], table
    with Ledger(home) as ledger:
        assert ledger.unsettled() == ()


@pytest.fixture(scope="module")
def whole_results(drop: Path, tmp_path_factory: pytest.TempPathFactory) -> list[tuple[object, ...]]:
    """Results of the strength workout alone, whose files came whole."""
    home = crash.make_home(tmp_path_factory.mktemp("whole") / "home")
    for path in drop.glob("*-strength*"):
        shutil.copyfile(path, home.inbox / path.name)
    run_line(home, load_settings(home.settings), whole=False)
    results = ask_results(home)
    assert len(results) > 50
    return results


@pytest.mark.parametrize("share", [0.4, 0.9])
def test_a_table_that_pauses_at_a_row_end_counts_once_in_the_results(
    home: Home, drop: Path, whole_results: list[tuple[object, ...]], share: float
) -> None:
    """What was taken too early stands behind the whole file that came after it."""
    (table,) = drop.glob("*-strength-*.csv")
    others = [path for path in drop.glob("*-strength*") if path != table]
    lines = table.read_text().splitlines(keepends=True)
    early = "".join(lines[: int(share * len(lines))])
    for number, text in enumerate((early, table.read_text())):
        (home.inbox / table.name).write_text(text)
        for path in others if number == 0 else ():
            shutil.copyfile(path, home.inbox / path.name)
        run_line(home, load_settings(home.settings), whole=False)
    assert ask_results(home) == whole_results


def ask_results(home: Home) -> list[tuple[object, ...]]:
    """Return the newest results without the ids of recordings, which come from their bytes."""
    query = (
        "SELECT device_id, reference, segment, metric, value, n FROM latest_results ORDER BY ALL"
    )
    with duckdb.connect(str(home.results), read_only=True) as connection:
        return connection.execute(query).fetchall()
