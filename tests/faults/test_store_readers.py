"""A shell on results.duckdb that stays open all night neither waits nor makes anybody wait."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import duckdb
import pytest

from config.home import Home
from config.settings import load_settings
from tasks.store import connect_for_reading, publish, read_store, run_query
from tests.unit.store.rows import measure

if TYPE_CHECKING:
    from pathlib import Path

N_RUNS = 12

SHELL = """
import sys, duckdb
connection = duckdb.connect(sys.argv[1], read_only=sys.argv[2] == "read")
print(connection.execute("SELECT count(*) FROM results").fetchall()[0][0], flush=True)
for line in sys.stdin:
    if sys.argv[2] == "write":
        connection.execute("CREATE TABLE IF NOT EXISTS mine (line VARCHAR)")
        connection.execute("INSERT INTO mine VALUES (?)", [line.strip()])
    print(connection.execute("SELECT count(*) FROM results").fetchall()[0][0], flush=True)
"""


@pytest.fixture
def home(tmp_path: Path) -> Home:
    made = Home(tmp_path / "home")
    made.create()
    measure(made, "w0", "r0")
    publish(made, load_settings())
    return made


@pytest.mark.parametrize("mode", ["read", "write"])
def test_an_open_shell_neither_blocks_nor_breaks(home: Home, mode: str) -> None:
    opened = home.results.resolve()
    with subprocess.Popen(
        [sys.executable, "-c", SHELL, str(home.results), mode],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as shell:
        assert shell.stdin is not None
        assert shell.stdout is not None
        assert shell.stdout.readline() == "2\n"
        for number in range(1, N_RUNS + 1):
            assert measure(home, f"w{number}", f"r{number}")
            assert publish(home, load_settings(), wait_s=1.0).is_new
            shell.stdin.write(f"{number}\n")
            shell.stdin.flush()
            assert shell.stdout.readline() == "2\n", "the shell keeps the copy that it opened"
            with connect_for_reading(home) as connection:
                found = run_query(connection, "SELECT count(*) AS n FROM results").to_pylist()
            assert found == [{"n": 2 * number + 2}]
        shell.communicate("")
    assert shell.returncode == 0
    with read_store(home) as connection:
        assert connection.execute("SELECT count(*) FROM results").fetchall() == [(2 * N_RUNS + 2,)]
    if mode == "write":
        with duckdb.connect(str(opened), read_only=True) as connection:
            assert connection.execute("SELECT count(*) FROM mine").fetchall() == [(N_RUNS,)]


def test_many_shells_on_many_copies_stay_readable_until_they_close(home: Home) -> None:
    shells = []
    for number in range(1, 8):
        shells.append(
            subprocess.Popen(
                [sys.executable, "-c", SHELL, str(home.results), "read"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
            )
        )
        assert shells[-1].stdout is not None
        assert shells[-1].stdout.readline() == f"{2 * number}\n"
        measure(home, f"w{number}", f"r{number}")
        publish(home, load_settings())
    for number, shell in enumerate(shells, start=1):
        said, _ = shell.communicate("again\n")
        assert said == f"{2 * number}\n"
    keep = load_settings().store.keep_published
    assert len(list(home.published.glob("*.duckdb"))) > keep, "open copies were kept"
    measure(home, "last", "last")
    publish(home, load_settings())
    assert len(list(home.published.glob("*.duckdb"))) == keep
