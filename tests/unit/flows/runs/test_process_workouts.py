"""Numbers are published under the lock of the home, pages are written after it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from config.home import Home
from flows.run_reports import DropReport, listen
from flows.runs.drop import run_drop
from flows.session.home import open_home
from flows.session.locks import RUN, hold_report_lock, is_held
from tasks.ingest.exports import Dropped
from tasks.store import connect_for_reading

if TYPE_CHECKING:
    from pathlib import Path

    from config.session import Session


@pytest.fixture
def session(tmp_path: Path) -> Session:
    home = Home(tmp_path / "home")
    home.create()
    home.settings.write_text("[run]\nlock_wait_s = 0.2\n")
    return open_home(home.root)


@pytest.fixture
def files(tmp_path: Path) -> list[Dropped]:
    path = tmp_path / "strap.csv"
    rows = [f"2026-05-02T06:{n // 60:02}:{n % 60:02}Z,{100 + n % 40}" for n in range(600)]
    path.write_text("time,heart_rate\n" + "\n".join(rows) + "\n")
    return [Dropped(path, path.name)]


def test_pages_that_another_process_writes_hold_up_no_number(
    session: Session, files: list[Dropped]
) -> None:
    with hold_report_lock(session.home, wait_s=0.0):
        report = run_drop(session, files, move=False)
    with connect_for_reading(session.home) as connection:
        assert connection.execute("SELECT count(*) FROM workouts").fetchall() == [(1,)]
    (complaint,) = report.page_complaints
    assert "holds the report" in complaint
    assert report.workout_run.complaints == ()
    assert not (session.home.report / "index.html").exists()


def test_numbers_are_announced_before_pages_and_without_the_lock(
    session: Session, files: list[Dropped]
) -> None:
    seen: list[tuple[bool, bool]] = []

    def note(report: DropReport) -> None:
        assert report.workout_run.summary.workouts
        has_pages = (session.home.report / "index.html").exists()
        seen.append((has_pages, is_held(session.home, RUN)))

    with listen(note):
        report = run_drop(session, files, move=False)
    assert seen == [(False, False)]
    assert report.page_complaints == ()
    assert (session.home.report / "index.html").exists()
