"""Files that are all known cost a look, unless anything else waits."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pytest

from config.home import Home
from flows.runs.drop import run_drop
from flows.runs.known_files import look_at_known
from flows.runs.settled import forget_settled, is_settled
from flows.session.home import open_home
from tasks.archive.ledger import Ledger
from tasks.ingest.exports import Dropped
from tests.faults.crash import DEMO

if TYPE_CHECKING:
    from pathlib import Path

    from config.session import Session

NAMES = ("2025-11-26-strength-alder-1.fit", "2025-11-26-strength-hazel.csv")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Home:
    """A home into which two files were dropped."""
    root = tmp_path_factory.mktemp("known") / "home"
    home = Home(root)
    home.create()
    shutil.copyfile(DEMO / "devices.toml", home.devices)
    run_drop(open_home(root), [Dropped(DEMO / name, name) for name in NAMES], move=False)
    return home


@pytest.fixture
def session(made: Home, tmp_path: Path) -> Session:
    """A copy of it for each test."""
    root = tmp_path / "home"
    shutil.copytree(made.root, root, symlinks=True)
    return open_home(root)


FILES = [Dropped(DEMO / name, name) for name in NAMES]


def list_stamps(home: Home) -> dict[str, int]:
    return {
        str(path): path.stat().st_mtime_ns
        for folder in (home.report, home.published, home.lake)
        for path in folder.rglob("*")
    }


def test_known_files_change_neither_pages_nor_results(session: Session) -> None:
    before = list_stamps(session.home)
    looked = look_at_known(session, FILES)
    assert looked is not None
    assert looked.report is not None
    assert [one.status for one in looked.report.outcomes] == ["duplicate", "duplicate"]
    assert list_stamps(session.home) == before


def test_a_known_file_under_another_name_needs_a_run(session: Session) -> None:
    looked = look_at_known(session, [Dropped(FILES[0].path, "renamed.fit", "alder-2")])
    assert looked is not None
    assert looked.report is None
    report = run_drop(session, FILES[:1], move=False, taken=looked.outcomes)
    assert [one.status for one in report.outcomes] == ["duplicate"]


def test_a_damaged_original_is_mended_and_its_file_read_again(session: Session) -> None:
    damaged = max(session.home.originals.rglob("*.fit"))
    damaged.chmod(0o600)
    damaged.write_bytes(damaged.read_bytes()[:-4] + b"\0\0\0\0")
    looked = look_at_known(session, FILES)
    assert looked is not None
    assert looked.report is None
    assert [one.status for one in looked.outcomes] == ["stored", "duplicate"]
    assert damaged.read_bytes() == FILES[0].path.read_bytes()


@pytest.mark.parametrize(
    "name", ["devices.toml", "plan.toml", "courses/loop.gpx", "columns/a.toml"]
)
def test_a_changed_file_of_the_home_needs_a_run(session: Session, name: str) -> None:
    path = session.home.root / name
    path.parent.mkdir(exist_ok=True)
    path.write_text((path.read_text() if path.exists() else "") + "\n# changed\n")
    assert look_at_known(session, FILES) is None


def test_other_settings_need_a_run(session: Session) -> None:
    session.home.settings.write_text("[verdicts]\npower = 0.9\n")
    assert look_at_known(open_home(session.home.root), FILES) is None


@pytest.mark.parametrize("name", ["results.duckdb", "report/index.html"])
def test_lost_results_or_pages_need_a_run(session: Session, name: str) -> None:
    (session.home.root / name).unlink()
    assert look_at_known(session, FILES) is None


def test_a_run_that_was_killed_leaves_something_to_do(session: Session) -> None:
    assert is_settled(session)
    with Ledger(session.home) as ledger:
        recordings = list(ledger.list_workouts())
        ledger.mark_settled(recordings[:1], settled=False)
    assert not is_settled(session)
    with Ledger(session.home) as ledger:
        ledger.mark_settled(recordings)
    assert is_settled(session)
    forget_settled(session.home)
    assert not is_settled(session)
