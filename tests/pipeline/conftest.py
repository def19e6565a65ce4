"""Whole runs: our own commands in processes of their own, against a real Prefect server."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from http import HTTPStatus
from pathlib import Path
from typing import Any

import duckdb
import pytest

from tests.commands import run_coworn
from tests.shared import share_once

ROOT = Path(__file__).resolve().parents[2]
DEADLINE_S = 90.0

DEVICES = """
[[device]]
id = "test-watch"
name = "Test watch"
role = "test"
site = "wrist"
heart_rate = "optical"
match = [{folder = "test-watch"}, {filename = "*test-watch*"}]

[[device]]
id = "strap"
name = "Strap"
role = "reference"
site = "chest"
heart_rate = "ecg"
match = [{filename = "*strap*"}]
"""


def clean_environment(**more: str) -> dict[str, str]:
    """The environment of a person who has never heard of Prefect."""
    kept = {
        name: value
        for name, value in os.environ.items()
        if not name.startswith(("PREFECT_", "COWORN_", "DO_NOT_TRACK", "COLUMNS", "NO_COLOR"))
    }
    return {**kept, "PYTHONPATH": str(ROOT), **more}


def wait_until(is_so: Callable[[], bool], what: str, deadline_s: float = DEADLINE_S) -> None:
    """Look again and again until `is_so`; the deadline is for a machine under load."""
    give_up = time.monotonic() + deadline_s
    while not is_so():
        assert time.monotonic() < give_up, f"not within {deadline_s} s: {what}"
        time.sleep(0.1)


def run_program(text: str, folder: Path, **more: str) -> list[str]:
    """Run a program on a new home in `folder`, without a Prefect server; return its output's lines.

    It finds the home in its first argument.
    """
    program = folder / "program.py"
    program.write_text(text)
    done = subprocess.run(
        [sys.executable, str(program), str(folder / "home")],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
        env=clean_environment(**more),
        timeout=240,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


#: Figures for publication have tests of their own; a night here need not draw them.
NO_FIGURES = "[report]\nfigures = []\n"


@dataclass
class Place:
    """A home and the commands that work on it."""

    root: Path
    api_url: str | None
    started: list[subprocess.Popen[str]] = field(default_factory=list)

    @property
    def inbox(self) -> Path:
        return self.root / "inbox"

    def environment(self, **more: str) -> dict[str, str]:
        server = {} if self.api_url is None else {"PREFECT_API_URL": self.api_url}
        return clean_environment(**server, **more)

    def lay_database(self, database: Path) -> None:
        """Let an embedded server find its database ready."""
        lay_database(database, self.root / "state" / "prefect")

    def run(self, *words: str, **more: str) -> subprocess.CompletedProcess[str]:
        """Run a command to its end, in a new interpreter where `more` holds what one reads."""
        environment = self.environment(**more)
        if not any(name.startswith("PYTHON") for name in more):
            return run_coworn(*words, "--home", self.root, env=environment)
        return subprocess.run(
            [sys.executable, "-m", "flows.cli", *words, "--home", str(self.root)],
            capture_output=True,
            text=True,
            check=False,
            cwd=ROOT,
            env=environment,
            timeout=400,
        )

    def start(self, *words: str, until: str) -> subprocess.Popen[str]:
        """Start a command and wait until its output holds `until`."""
        log = self.root.parent / f"{self.root.name}-{words[0]}.log"
        with log.open("w") as file:
            process = subprocess.Popen(
                [sys.executable, "-m", "flows.cli", *words, "--home", str(self.root)],
                stdout=file,
                stderr=subprocess.STDOUT,
                text=True,
                cwd=ROOT,
                env=self.environment(PYTHONUNBUFFERED="1"),
                start_new_session=True,
            )
        self.started.append(process)
        wait_until(
            lambda: until in log.read_text() or process.poll() is not None,
            f"{words[0]} says {until!r}",
        )
        assert until in log.read_text(), log.read_text()
        return process

    def read_log(self, command: str) -> str:
        return (self.root.parent / f"{self.root.name}-{command}.log").read_text()

    def configure(self, text: str) -> None:
        """Write the settings; without a part on the report, it has no figures."""
        self.root.mkdir(parents=True, exist_ok=True)
        report = "" if "[report]" in text else NO_FIGURES
        (self.root / "coworn.toml").write_text(f"{text}\n{report}")

    def ask(self, query: str) -> list[tuple[object, ...]]:
        """Answer SQL from the published copy, as a person's shell would open it."""
        with duckdb.connect(str(self.root / "results.duckdb"), read_only=True) as connection:
            return connection.execute(query).fetchall()

    def has(self, query: str, expected: object) -> bool:
        """Say whether the first cell of the answer is `expected`; no results yet is no."""
        try:
            return bool(self.ask(query)[0][0] == expected)
        except (duckdb.Error, IndexError):
            return False

    def stop(self) -> None:
        for process in self.started:
            if process.poll() is None:
                with contextlib.suppress(ProcessLookupError):
                    os.killpg(process.pid, signal.SIGKILL)
                process.wait(timeout=10)


@pytest.fixture(scope="session")
def prefect_database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The database of a Prefect server that has just started, made once in a run of the tests.

    Prefect makes it by 50 migrations, which take as long as its start.
    """
    return share_once(tmp_path_factory, "prefect-database", make_prefect_database) / "prefect.db"


def make_prefect_database(folder: Path) -> None:
    """Let Prefect make the database of a server in `folder`."""
    done = subprocess.run(
        [sys.executable, "-m", "prefect", "server", "database", "upgrade", "-y"],
        capture_output=True,
        text=True,
        check=False,
        env=clean_environment(PREFECT_HOME=str(folder), DO_NOT_TRACK="1"),
        timeout=240,
    )
    assert done.returncode == 0, done.stderr


def lay_database(database: Path, prefect_home: Path) -> None:
    """Copy a ready database to where a server of that home looks for it."""
    prefect_home.mkdir(mode=0o700, parents=True, exist_ok=True)
    shutil.copyfile(database, prefect_home / "prefect.db")
    (prefect_home / "prefect.db").chmod(0o600)


@pytest.fixture(scope="session")
def prefect_server(
    tmp_path_factory: pytest.TempPathFactory, prefect_database: Path
) -> Iterator[str]:
    """A real Prefect server on a free port of the loopback interface."""
    folder = tmp_path_factory.mktemp("prefect-server")
    lay_database(prefect_database, folder)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    environment = clean_environment(
        PREFECT_HOME=str(folder),
        PREFECT_SERVER_ANALYTICS_ENABLED="false",
        DO_NOT_TRACK="1",
        PREFECT_SERVER_API_PORT=str(port),
    )
    with (folder / "log").open("w") as log:
        process = subprocess.Popen(
            [
                *(sys.executable, "-m", "prefect", "server", "start"),
                *("--host", "127.0.0.1", "--port", str(port)),
            ],
            stdout=log,
            stderr=subprocess.STDOUT,
            env=environment,
            start_new_session=True,
        )
    api_url = f"http://127.0.0.1:{port}/api"

    def answers() -> bool:
        assert process.poll() is None, (folder / "log").read_text()
        try:
            with urllib.request.urlopen(f"{api_url}/health", timeout=2) as answer:  # noqa: S310
                return bool(answer.status == 200)
        except OSError:
            return False

    try:
        wait_until(answers, "the Prefect server answers", 120)
        yield api_url
    finally:
        os.killpg(process.pid, signal.SIGTERM)
        try:
            process.wait(timeout=15)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait(timeout=10)


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    """An empty home of a person who names no Prefect server."""
    made = Place(tmp_path / "home", None)
    made.root.mkdir()
    (made.root / "devices.toml").write_text(DEVICES)
    made.configure("[inbox]\nquiet_s = 0.5\nrescan_s = 30.0\n")
    yield made
    made.stop()


@pytest.fixture
def served(place: Place, prefect_server: str) -> Place:
    """An empty home that reports to the session's server."""
    place.api_url = prefect_server
    return place


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Place:
    """The demo's home after its first run, made once in a run of the tests; nobody changes it."""
    return Place(share_once(tmp_path_factory, "demo", make_demo) / "home", None)


def make_demo(folder: Path) -> None:
    """Run the demo in `folder`, with what it said beside its home."""
    done = Place(folder / "home", None).run("demo")
    assert done.returncode == 0, done.stderr
    (folder / "first.out").write_text(done.stdout)
    (folder / "first.err").write_text(done.stderr)


def write_csv(
    path: Path, *, start: datetime | None = None, n_seconds: int = 600, above_bpm: float = 0.0
) -> Path:
    """Write a heart rate that climbs and falls in whole bpm, `above_bpm` above the reference's.

    It goes 100, 101, ... 159, 158, ... so that every second differs from its neighbours.
    """
    begin = start or datetime(2026, 5, 2, 6, 0, tzinfo=UTC)
    lines = ["time,heart_rate"]
    for second in range(n_seconds):
        step = second // 5 % 120
        beats = 100 + (step if step < 60 else 120 - step) + above_bpm
        stamp = (begin + timedelta(seconds=second)).strftime("%Y-%m-%dT%H:%M:%SZ")
        lines.append(f"{stamp},{beats:g}")
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join(lines) + "\n")
    return path


def call_server(api_url: str | None, path: str, body: dict[str, Any] | None = None) -> Any:  # noqa: ANN401
    """Call Prefect's API; 503 means that its database is locked, and that one may ask again."""
    data = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(  # noqa: S310 - our own server
        f"{api_url}{path}", data=data, headers={"Content-Type": "application/json"}
    )
    answers: list[Any] = []

    def is_answered() -> bool:
        try:
            with urllib.request.urlopen(request, timeout=10) as answer:  # noqa: S310
                answers.append(json.loads(answer.read()))
        except urllib.error.HTTPError as error:
            if error.code != HTTPStatus.SERVICE_UNAVAILABLE:
                raise
        return bool(answers)

    wait_until(is_answered, f"the server answers {path}")
    return answers[0]
