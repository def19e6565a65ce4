"""The watcher with real events: drops, names on their way, a lost inbox, signals."""

from __future__ import annotations

import shutil
import signal
import subprocess
import sys
import urllib.parse
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.pipeline.conftest import ROOT, Place, clean_environment, wait_until, write_csv

BEGIN = datetime(2026, 5, 2, 6, 0, tzinfo=UTC)
N_FILES = "SELECT count(*) FROM files"


def _end(process: subprocess.Popen[str], number: signal.Signals) -> int:
    process.send_signal(number)
    return process.wait(timeout=60)


def test_five_dropped_files_become_results_and_sigterm_ends_with_zero(
    served: Place, tmp_path: Path
) -> None:
    waiting = write_csv(served.inbox / "strap-before.csv", start=BEGIN - timedelta(days=1))
    process = served.start("watch", until="watching")
    # What was dropped while nothing was running.
    wait_until(lambda: served.has(N_FILES, 1), "the file from before")
    assert not waiting.exists()
    for number in range(3):
        start = BEGIN + timedelta(days=number)
        write_csv(served.inbox / f"strap-{number}.csv", start=start)
    # Two come by a move from outside: no closing event; one of them into a sub-folder.
    moved = write_csv(tmp_path / "aside" / "test-watch.csv", start=BEGIN, above_bpm=2.0)
    moved.rename(served.inbox / "test-watch.csv")
    hinted = write_csv(
        tmp_path / "aside" / "run.csv", start=BEGIN + timedelta(days=1), above_bpm=3.0
    )
    (served.inbox / "test-watch").mkdir()
    hinted.rename(served.inbox / "test-watch" / "run.csv")
    wait_until(lambda: served.has(N_FILES, 6), "five more files")
    wait_until(
        lambda: served.has(
            "SELECT count(*) FROM heart_rate WHERE segment = 'all' AND device_id = 'test-watch' "
            "AND hr_mae_bpm IS NOT NULL",
            2,
        ),
        "the error of both",
    )
    assert [path for path in served.inbox.rglob("*") if path.is_file()] == []
    assert _end(process, signal.SIGTERM) == 0
    assert "watcher    not running" in served.run("status").stdout.splitlines()


def test_names_on_their_way_wait_and_a_new_inbox_is_watched(served: Place, tmp_path: Path) -> None:
    process = served.start("watch", until="watching")
    part = write_csv(served.inbox / "strap-1.csv.part", start=BEGIN)
    # A link to a file elsewhere, and a pipe that nobody writes to, are left alone.
    elsewhere = write_csv(tmp_path / "strap-elsewhere.csv", start=BEGIN + timedelta(days=5))
    (served.inbox / "strap-link.csv").symlink_to(elsewhere)
    write_csv(served.inbox / "strap-0.csv", start=BEGIN + timedelta(days=1))
    wait_until(lambda: served.has(N_FILES, 1), "the whole file")
    assert part.exists()
    part.rename(served.inbox / "strap-1.csv")
    wait_until(lambda: served.has(N_FILES, 2), "the renamed file")
    shutil.rmtree(served.inbox)
    wait_until(lambda: "is gone" in served.read_log("watch"), "the loss is told")
    served.inbox.mkdir()
    wait_until(lambda: "is there again" in served.read_log("watch"), "the return is told")
    # rescan_s is 30 s: sooner than that only an event of the new folder can tell.
    write_csv(served.inbox / "strap-2.csv", start=BEGIN + timedelta(days=2))
    wait_until(lambda: served.has(N_FILES, 3), "the file in the new inbox", 25)
    assert served.ask("SELECT count(*) FROM files WHERE name LIKE '%link%'") == [(0,)]
    assert _end(process, signal.SIGINT) == 130


def test_a_second_watcher_is_refused_and_names_the_first(served: Place) -> None:
    process = served.start("watch", until="watching")
    done = served.run("watch")
    assert done.returncode == 1
    assert f"process {process.pid}" in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert "watcher    running" in served.run("status").stdout
    process.kill()
    process.wait(timeout=10)
    # The lock ends with its owner, however it ended.
    assert "watcher    not running" in served.run("status").stdout


def test_a_polled_inbox_is_watched_too(served: Place) -> None:
    served.configure("[inbox]\nquiet_s = 0.5\nrescan_s = 60.0\npolling = true\n")
    process = served.start("watch", until="watching")
    write_csv(served.inbox / "strap-0.csv", start=BEGIN)
    wait_until(lambda: served.has(N_FILES, 1), "the file", 45)
    assert _end(process, signal.SIGTERM) == 0


def test_once_takes_what_lies_there_opens_its_page_and_ends(
    tmp_path: Path, prefect_database: Path
) -> None:
    home = tmp_path / "a home"
    (home / "inbox").mkdir(parents=True)
    Place(home, None).lay_database(prefect_database)
    write_csv(home / "inbox" / "watch.csv", start=BEGIN)
    browser = tmp_path / "browser"
    browser.write_text(f'#!/bin/sh\necho "$1" >> {tmp_path}/opened\n')
    browser.chmod(0o755)
    done = subprocess.run(
        [sys.executable, "-m", "flows.cli", "watch", "--once", "--open", "--home", str(home)],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
        env={**clean_environment(), "BROWSER": str(browser)},
        timeout=240,
    )
    assert (done.returncode, done.stderr) == (0, "")
    lines = done.stdout.splitlines()
    assert lines[0].startswith("starting to watch")
    (opened,) = (tmp_path / "opened").read_text().splitlines()
    assert f"page: {opened}" in lines
    assert Path(urllib.parse.unquote(opened.removeprefix("file://"))).is_file()
    # The table comes before the pages.
    assert done.stdout.index("1 workout with new results") < done.stdout.index("page: ")
    assert list((home / "inbox").iterdir()) == []
