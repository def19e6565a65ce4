"""Writers that are killed with SIGKILL at random moments leave a store that is right.

Each round starts a real process that appends measurements and publishes them, kills it after a
time drawn from a seeded generator, and looks at what it left: the store opens, every
measurement is in it whole or not at all, everything that the process had reported as committed is
there, and the link leads to a copy that opens.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb
import pytest

from config.home import Home
from config.settings import load_settings
from tasks.store import backup, list_backups, open_store, publish, read_store
from tests.tiers import choose
from tests.unit.store.rows import measure

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT = Path(__file__).parents[2]
ROUNDS = choose(short=4, full=20)

#: Imports everything once and forks a child for each line `WHAT<tab>HOME<tab>NAME` of its input.
STARTER = """
import os, signal, sys
from datetime import UTC, datetime
from pathlib import Path
from config.home import Home
from config.settings import load_settings
from tasks.store import append_if_changed, backup, open_store, publish, replace_rows
from tasks.store.connect import prepare_store
from tests.unit.store.rows import make_findings, make_results, make_workouts

def say(words):
    os.write(1, f"{words}\\n".encode())

def write(home, name, stage):
    for number in range(10_000):
        workout = f"{name}-{number}"
        with open_store(home) as connection:
            replace_rows(connection, "workouts", make_workouts(workout))
            for part in range(20):
                append_if_changed(
                    connection,
                    workout_id=f"{workout}-{part}",
                    run_id=workout,
                    results=make_results(f"{workout}-{part}", workout),
                    findings=make_findings(f"{workout}-{part}", workout),
                )
        say(workout)
        if stage == "publish":
            publish(home, load_settings())
        if stage == "backup":
            backup(home, load_settings(), now=datetime.now(UTC))

def live(what, root, name):
    say(f"child {os.getpid()}")
    if what == "create":
        prepare_store(Home(Path(root)))
        signal.pause()
    write(Home(Path(root)), name, what)

say("ready")
for line in sys.stdin:
    child = os.fork()
    if child == 0:
        try:
            live(*line.rstrip("\\n").split("\\t"))
        finally:
            os._exit(1)
    say(f"over {os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])}")
"""


@pytest.fixture(scope="module")
def starter() -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        [sys.executable, "-c", STARTER],
        cwd=ROOT,
        env={"PYTHONPATH": str(ROOT)},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert read(process) == "ready"
        yield process
        process.communicate("")


def read(starter: subprocess.Popen[str]) -> str:
    assert starter.stdout is not None
    line = starter.stdout.readline()
    assert line.endswith("\n"), "the starter must not end"
    return line.rstrip("\n")


@pytest.fixture
def home(tmp_path: Path) -> Home:
    made = Home(tmp_path / "home")
    made.create()
    return made


def kill_after(
    starter: subprocess.Popen[str],
    home: Home,
    name: str,
    *,
    what: str,
    delay_s: float,
    n_commits: int = 0,
) -> list[str]:
    """Kill a child `delay_s` after its commit number `n_commits`; return what it had committed."""
    assert starter.stdin is not None
    starter.stdin.write(f"{what}\t{home.root}\t{name}\n")
    starter.stdin.flush()
    child = int(read(starter).removeprefix("child "))
    committed = [read(starter) for _ in range(n_commits)]
    timer = threading.Timer(delay_s, os.kill, [child, signal.SIGKILL])
    timer.start()
    while not (line := read(starter)).startswith("over "):
        committed.append(line)
    timer.cancel()
    assert line == f"over {-signal.SIGKILL}", "the child must not have failed by itself"
    return committed


@pytest.mark.parametrize("stage", ["append", "publish", "backup"])
def test_a_killed_writer_loses_nothing_that_was_committed(
    starter: subprocess.Popen[str], home: Home, stage: str
) -> None:
    generator = random.Random(f"kill {stage}")  # noqa: S311 - moments, not secrets
    committed: set[str] = set()
    for number in range(ROUNDS):
        committed |= set(
            kill_after(
                starter,
                home,
                f"k{number}",
                what=stage,
                delay_s=generator.uniform(0.0, 0.4),
                n_commits=number % 3,
            )
        )
        check_store(home, committed)
        check_published(home)
        for path in list_backups(home):
            with duckdb.connect(str(path), read_only=True) as connection:
                connection.execute("SELECT count(*) FROM results").fetchall()
    assert len(committed) >= sum(number % 3 for number in range(ROUNDS))
    # The next run clears up and works.
    assert measure(home, "after", "after")
    publish(home, load_settings())
    backup(home, load_settings(), now=datetime.now(UTC))
    assert list(home.root.rglob("*.building*")) == []


def check_store(home: Home, committed: set[str]) -> None:
    with read_store(home) as connection:
        rows = connection.execute("SELECT workout_id FROM workouts").fetchall()
        per_run = connection.execute(
            "SELECT run_id, count(*), sum(n_results), sum(n_findings) FROM measurements GROUP BY 1"
        ).fetchall()
        results = dict(
            connection.execute("SELECT run_id, count(*) FROM results GROUP BY 1").fetchall()
        )
    workouts = {row[0] for row in rows}
    assert committed <= workouts
    assert {row[0] for row in per_run} == workouts == set(results)
    for run_id, n_measured, n_results, n_findings in per_run:
        assert (n_measured, n_results, n_findings) == (20, 40, 20), run_id
        assert results[run_id] == 40


def check_published(home: Home) -> None:
    if not home.results.is_symlink():
        return
    with duckdb.connect(str(home.results), read_only=True) as connection:
        n_results, n_measured = connection.execute(
            "SELECT (SELECT count(*) FROM results), (SELECT sum(n_results) FROM measurements)"
        ).fetchall()[0]
        connection.execute("FROM heart_rate").fetchall()
    assert n_results == n_measured


def test_a_store_whose_making_was_killed_is_made_again(
    starter: subprocess.Popen[str], tmp_path: Path
) -> None:
    generator = random.Random("create")  # noqa: S311 - moments, not secrets
    for number in range(ROUNDS):
        home = Home(tmp_path / f"home {number}")
        kill_after(starter, home, "", what="create", delay_s=generator.uniform(0.0, 0.12))
        with open_store(home) as connection:
            assert connection.execute("SELECT count(*) FROM results").fetchall() == [(0,)]
        publish(home, load_settings())
        assert list(home.root.rglob("*.building*")) == []


def test_a_lock_dies_with_its_owner(starter: subprocess.Popen[str], home: Home) -> None:
    kill_after(starter, home, "k", what="append", delay_s=0.2)
    with open_store(home, wait_s=1.0) as connection:
        connection.execute("SELECT count(*) FROM results").fetchall()
