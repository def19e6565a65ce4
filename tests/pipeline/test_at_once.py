"""Watcher, night, ingest and a person's SQL shell at once on one home; servers that fail."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from config.home import Home
from flows.engine.embedded_server import EmbeddedServer
from flows.session.locks import hold_run_lock
from tests.pipeline.conftest import ROOT, Place, wait_until, write_csv

if TYPE_CHECKING:
    from collections.abc import Iterator

BEGIN = datetime(2026, 5, 2, 6, 0, tzinfo=UTC)
SHELL = """
import sys, duckdb
connection = duckdb.connect(sys.argv[1], read_only=True)
for line in sys.stdin:
    print(connection.execute("SELECT count(*) FROM recordings").fetchall()[0][0], flush=True)
"""


def write_pair(folder: Path, day: int) -> list[Path]:
    start = BEGIN + timedelta(days=day)
    return [
        write_csv(folder / f"strap-{day}.csv", start=start, n_seconds=120),
        write_csv(folder / f"test-watch-{day}.csv", start=start, n_seconds=120, above_bpm=2.0),
    ]


@contextlib.contextmanager
def open_shell(place: Place) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        [sys.executable, "-c", SHELL, str(place.root / "results.duckdb")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as shell:
        yield shell
        shell.communicate("")


def ask_shell(shell: subprocess.Popen[str]) -> int:
    assert shell.stdin is not None
    assert shell.stdout is not None
    shell.stdin.write("again\n")
    shell.stdin.flush()
    return int(shell.stdout.readline())


def test_four_programs_at_once_lose_and_double_nothing(
    place: Place, prefect_database: Path, tmp_path: Path
) -> None:
    place.lay_database(prefect_database)
    assert place.run("ingest", *map(str, write_pair(tmp_path, 0))).returncode == 0
    with open_shell(place) as shell:
        assert ask_shell(shell) == 2
        place.start("watch", until="watching")
        words = [
            ["ingest", *map(str, write_pair(tmp_path, 1))],
            ["ingest", *map(str, [*write_pair(tmp_path, 1), *write_pair(tmp_path, 2)])],
            ["nightly"],
        ]
        programs = [
            subprocess.Popen(
                [sys.executable, "-m", "flows.cli", *of_one, "--home", str(place.root)],
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
                cwd=ROOT,
                env=place.environment(),
            )
            for of_one in words
        ]
        for path in write_pair(tmp_path, 3):
            path.rename(place.inbox / path.name)
        for program in programs:
            _, said = program.communicate(timeout=180)
            assert program.returncode == 0, said
        wait_until(
            lambda: place.has("SELECT count(*) FROM workouts", 4), "all four workouts are there"
        )
        assert ask_shell(shell) == 2, "the shell keeps what it opened"
    rows = place.ask("SELECT recording_id FROM recordings")
    assert len(rows) == len(set(rows)) == 8
    twice = place.ask(
        "SELECT run_id FROM results "
        "GROUP BY run_id, recording_id, reference, segment, metric HAVING count(*) > 1"
    )
    assert twice == []
    assert [path.name for path in place.inbox.iterdir()] == []


def test_a_run_that_waits_too_long_names_who_holds_the_home_and_loses_nothing(
    place: Place, tmp_path: Path
) -> None:
    place.configure("[run]\nlock_wait_s = 0.5\n")
    with hold_run_lock(Home(place.root), wait_s=0.0, purpose="coworn rebuild"):
        late = place.run("ingest", *map(str, write_pair(tmp_path, 0)))
    assert late.returncode == 1
    (line,) = late.stderr.splitlines()
    assert f"process {os.getpid()} (coworn rebuild, since" in line
    assert "wait until it has ended, or stop it" in line
    assert place.run("nightly").returncode == 0
    assert place.has("SELECT count(*) FROM workouts", 1)


@pytest.mark.full
def test_a_server_that_dies_while_watching_stops_nothing(
    tmp_path: Path, prefect_database: Path
) -> None:
    """The embedded server is killed between two drops; the second one is settled all the same."""
    place = Place(tmp_path / "home", None)
    place.configure("[inbox]\nquiet_s = 0.5\nrescan_s = 5.0\n")
    place.lay_database(prefect_database)
    try:
        watcher = place.start("watch", until="watching")
        for path in write_pair(tmp_path, 0):
            path.rename(place.inbox / path.name)
        wait_until(lambda: ", run " in place.read_log("watch"), "the first drop")
        children = [
            int(word)
            for task in Path(f"/proc/{watcher.pid}/task").glob("*/children")
            for word in task.read_text().split()
        ]
        # The other child reads the exports.
        (server,) = (
            child
            for child in children
            if b"embedded.py" in Path(f"/proc/{child}/cmdline").read_bytes()
        )
        os.kill(server, signal.SIGKILL)
        for path in write_pair(tmp_path, 1):
            path.rename(place.inbox / path.name)
        wait_until(lambda: place.has("SELECT count(*) FROM workouts", 2), "the second drop")
        assert watcher.poll() is None
    finally:
        place.stop()


def test_a_named_server_that_is_down_is_said_once_and_the_work_is_done(tmp_path: Path) -> None:
    place = Place(tmp_path / "home", "http://127.0.0.1:9/api")
    ended = place.run("ingest", *map(str, write_pair(tmp_path, 0)))
    assert ended.returncode == 0, ended.stderr
    assert "Traceback" not in ended.stderr
    assert place.has("SELECT count(*) FROM workouts", 1)


def test_the_embedded_server_listens_on_the_loopback_interface_only(tmp_path: Path) -> None:
    home = Home(tmp_path / "home")
    home.create()
    server = EmbeddedServer(home.logs / "server.log")
    try:
        server.wait()
        port = int(server.api_url.rpartition(":")[2].removesuffix("/api"))
        listening = list_listening(port)
        assert listening == ["0100007F"], "127.0.0.1 in the kernel's spelling, and nothing else"
    finally:
        server.stop()


def list_listening(port: int) -> list[str]:
    """Return the addresses on which anybody listens on `port`, from the kernel's own tables."""
    found = []
    for table in ("tcp", "tcp6"):
        for line in Path(f"/proc/net/{table}").read_text().splitlines()[1:]:
            words = line.split()
            address, _, number = words[1].partition(":")
            if words[3] == "0A" and int(number, 16) == port:
                found.append(address)
    return found


def test_nothing_that_prefect_keeps_is_pickled(served: Place, tmp_path: Path) -> None:
    """A pickled result would be code that whoever can write there can run."""
    assert served.run("ingest", *map(str, write_pair(tmp_path, 0))).returncode == 0
    storage = served.root / "state" / "prefect" / "storage"
    kept = list(storage.rglob("*")) if storage.exists() else []
    for path in kept:
        if path.is_file():
            facts = json.loads(path.read_text())
            assert "pickle" not in json.dumps(facts.get("metadata", {}))
    assert [path for path in kept if path.is_file()] == []
