"""Prefect fails in the middle of a run: nothing lost, nothing doubled, the person is told once."""

from __future__ import annotations

import contextlib
import os
import signal
import sqlite3
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from config.home import Home
from flows.engine.embedded_server import EmbeddedServer
from tests.faults.command_kills import list_processes
from tests.pipeline.conftest import (
    ROOT,
    Place,
    call_server,
    lay_database,
    run_program,
    wait_until,
    write_csv,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

BEGIN = datetime(2026, 5, 2, 6, 0, tzinfo=UTC)
N_DAYS = 3
#: A machine under load restarts a server in a minute [s].
LONG_S = 240.0


@pytest.fixture
def alone(tmp_path: Path, prefect_database: Path) -> Iterator[Place]:
    """A home whose commands have only their embedded server."""
    made = Place(tmp_path / "home", None)
    made.configure("[inbox]\nquiet_s = 0.5\nrescan_s = 5.0\n")
    made.lay_database(prefect_database)
    yield made
    made.stop()


def write_days(folder: Path) -> None:
    for day in range(N_DAYS):
        start = BEGIN + timedelta(days=day)
        write_csv(folder / f"strap-{day}.csv", start=start, n_seconds=120)
        write_csv(folder / f"watch-{day}.csv", start=start, n_seconds=120, above_bpm=2.0)


def has_begun(place: Place) -> bool:
    """Say whether the run has archived something."""
    return any((place.root / "originals").glob("*/*"))


def expect_everything_once(place: Place) -> None:
    assert place.ask("SELECT count(*) FROM workouts") == [(N_DAYS,)]
    rows = place.ask("SELECT recording_id FROM recordings")
    assert len(rows) == len(set(rows)) == 2 * N_DAYS
    runs = "SELECT workout_id FROM results GROUP BY 1 HAVING count(DISTINCT run_id) > 1"
    assert place.ask(runs) == []


def start_ingest(place: Place, folder: Path, **more: str) -> tuple[subprocess.Popen[str], Path]:
    """Start `coworn ingest` and wait until it is at work; return it and where its stderr goes."""
    said = folder.parent / "stderr"
    with said.open("w") as file:
        process = subprocess.Popen(
            [sys.executable, "-m", "flows.cli", "ingest", str(folder), "--home", str(place.root)],
            stdout=subprocess.DEVNULL,
            stderr=file,
            text=True,
            cwd=ROOT,
            env=place.environment(**more),
            start_new_session=True,
        )
    place.started.append(process)
    wait_until(lambda: has_begun(place) or process.poll() is not None, "the run has begun")
    return process, said


def start_watch(place: Place, folder: Path) -> subprocess.Popen[str]:
    """Start `coworn watch`, drop the days into its inbox at once and wait until it is at work."""
    process = place.start("watch", until="watching")
    write_days(folder / "drop")
    for path in (folder / "drop").iterdir():
        path.rename(place.inbox / path.name)
    wait_until(lambda: has_begun(place), "the run has begun")
    return process


def end_watch(place: Place, process: subprocess.Popen[str]) -> None:
    """Wait until everything is measured, and stop the watcher."""
    wait_until(
        lambda: place.has("SELECT count(*) FROM workouts", N_DAYS), "the drop is done", LONG_S
    )
    process.send_signal(signal.SIGTERM)
    assert process.wait(timeout=LONG_S) == 0, place.read_log("watch")


def find_processes(place: Place, word: str) -> list[int]:
    """Return the processes of `place`'s Prefect in whose command line `word` stands."""
    found = []
    for process_id in list_processes(Home(place.root)):
        with contextlib.suppress(OSError):
            if word.encode() in Path(f"/proc/{process_id}/cmdline").read_bytes():
                found.append(process_id)
    return found


@pytest.mark.full
def test_a_server_killed_in_the_middle_of_a_run_is_started_again_and_told_once(
    alone: Place, tmp_path: Path
) -> None:
    process = start_watch(alone, tmp_path)
    (server,) = find_processes(alone, "embedded.py")
    os.kill(server, signal.SIGKILL)
    end_watch(alone, process)
    expect_everything_once(alone)
    lines = [line for line in alone.read_log("watch").splitlines() if line.startswith("coworn:")]
    assert lines == [
        "coworn: Prefect's embedded server had ended; it was started again and the work goes on"
    ]
    assert find_processes(alone, "embedded.py") == []


@pytest.mark.full
def test_a_locked_database_of_the_server_only_delays_the_run(alone: Place, tmp_path: Path) -> None:
    """Another program holds the database of Prefect for many seconds."""
    process = start_watch(alone, tmp_path)
    file = alone.root / "state" / "prefect" / "prefect.db"
    holder = sqlite3.connect(file, timeout=60.0, isolation_level=None)
    holder.execute("BEGIN EXCLUSIVE")
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(timeout=12.0)
    holder.execute("ROLLBACK")
    holder.close()
    end_watch(alone, process)
    expect_everything_once(alone)
    assert "coworn:" not in alone.read_log("watch")


@pytest.mark.full
def test_a_named_server_that_goes_in_the_middle_of_a_drop_delays_it_and_is_told_once(
    tmp_path: Path, prefect_database: Path
) -> None:
    """The drop fails, is told, and is taken again with the embedded server."""
    server = EmbeddedServer(tmp_path / "server" / "log")
    server.wait()
    place = Place(tmp_path / "home", server.api_url)
    place.configure("[inbox]\nquiet_s = 0.5\nrescan_s = 2.0\n")
    Home(place.root).create()
    place.lay_database(prefect_database)
    write_days(place.inbox)
    try:
        log = place.root.parent / "home-watch.log"
        with log.open("w") as file:
            process = subprocess.Popen(
                [sys.executable, "-m", "flows.cli", "watch", "--home", str(place.root)],
                stdout=file,
                stderr=subprocess.STDOUT,
                text=True,
                cwd=ROOT,
                # One retry instead of five: a minute less to wait for.
                env=place.environment(PYTHONUNBUFFERED="1", PREFECT_CLIENT_MAX_RETRIES="1"),
                start_new_session=True,
            )
        place.started.append(process)
        wait_until(lambda: has_begun(place), "the drop has begun")
        server.stop()
        wait_until(
            lambda: place.has("SELECT count(*) FROM workouts", N_DAYS), "the drop is done", LONG_S
        )
        # Where the server went at the very end, all was done and the second try finds nothing new.
        wait_until(lambda: "new results" in place.read_log("watch"), "the drop is told", LONG_S)
        process.send_signal(signal.SIGTERM)
        assert process.wait(timeout=LONG_S) == 0
    finally:
        server.stop()
        place.stop()
    expect_everything_once(place)
    told = [line for line in place.read_log("watch").splitlines() if line.startswith("coworn:")]
    assert len(told) == 1, told
    assert "it is tried again" in told[0]


@pytest.mark.full
def test_a_dask_worker_killed_in_a_backfill_loses_and_doubles_nothing(
    alone: Place, tmp_path: Path
) -> None:
    alone.configure('[run]\nbackfill_files = 2\nbatch_files = 1\nrunner = "dask"\nworkers = 2\n')
    write_days(tmp_path / "drop")
    process, said = start_ingest(alone, tmp_path / "drop")
    workers = find_processes(alone, "spawn_main")
    assert workers, "the workers are processes of their own"
    os.kill(workers[0], signal.SIGKILL)
    assert process.wait(timeout=LONG_S) == 0, said.read_text()
    expect_everything_once(alone)
    assert "Traceback" not in said.read_text()


def test_a_killed_serve_takes_up_its_drop_when_it_is_started_again(served: Place) -> None:
    process = served.start("serve", until="watching")
    write_days(served.inbox)
    wait_until(lambda: has_begun(served), "the drop has begun")
    os.killpg(process.pid, signal.SIGKILL)
    process.wait(timeout=10)
    served.start("serve", until="watching")
    wait_until(lambda: served.has("SELECT count(*) FROM workouts", N_DAYS), "all of it", LONG_S)
    assert [path.name for path in served.inbox.iterdir()] == []
    expect_everything_once(served)


def test_a_served_night_whose_process_is_killed_is_closed_and_the_next_one_does_it(
    served: Place,
) -> None:
    served.start("serve", until="watching")
    name = "/deployments/name/nightly/nightly"

    def is_registered() -> bool:
        # The server may know deployments of other tests.
        found = call_server(served.api_url, "/deployments/filter", {})
        return sum(one["parameters"] == {"home": str(served.root)} for one in found) == 4

    wait_until(is_registered, "all deployments")
    deployment = call_server(served.api_url, name)["id"]

    def begin() -> str:
        made = call_server(served.api_url, f"/deployments/{deployment}/create_flow_run", {})
        return str(made["id"])

    def state(run: str) -> str:
        return str(call_server(served.api_url, f"/flow_runs/{run}")["state"]["type"])

    def find_process(run: str) -> int | None:
        for path in Path("/proc").glob("[0-9]*/environ"):
            with contextlib.suppress(OSError):
                if run in path.read_bytes().decode(errors="replace"):
                    return int(path.parent.name)
        return None

    first = begin()
    wait_until(lambda: find_process(first) is not None, "the night has a process", LONG_S)
    killed = find_process(first)
    assert killed is not None
    os.kill(killed, signal.SIGKILL)
    wait_until(lambda: state(first) in {"CRASHED", "FAILED"}, "its end is noted", LONG_S)
    second = begin()
    wait_until(lambda: state(second) == "COMPLETED", "the next night", LONG_S)
    assert len(list((served.root / "backups").glob("store-*.duckdb"))) == 1


LAST_WORDS = """
import os, signal, sys, time
from pathlib import Path
from config.home import Home
from flows.engine import prefect_events
from flows.engine.embedded_server import EmbeddedServer
from flows.engine.engine import find_engine
from flows.engine.environment import prepare_environment

home = Home(Path(sys.argv[1]))
home.create()
prepare_environment(home)
server = EmbeddedServer(home.logs / "server.log")
server.wait()
os.environ["PREFECT_API_URL"] = server.api_url
engine = find_engine(home.logs)
with engine.running():
    from prefect.events import emit_event
    from prefect import flow

    @flow
    def talk():
        return 1

    talk()
    server.stop()
    for number in range(40):
        emit_event("coworn.word", resource={"prefect.resource.id": f"coworn.{number}"})
prefect_events.FLUSH_TIMEOUT_S = 2.0
engine.stop()
print("done", flush=True)
"""


@pytest.mark.full
def test_a_command_ends_although_nobody_hears_its_last_words(
    tmp_path: Path, prefect_database: Path
) -> None:
    """Forty events at some ten seconds each would keep it for six minutes."""
    lay_database(prefect_database, tmp_path / "home" / "state" / "prefect")
    more = {"PREFECT_CLIENT_MAX_RETRIES": "1", "DO_NOT_TRACK": "1"}
    assert run_program(LAST_WORDS, tmp_path, **more) == ["done"]
