"""The embedded server of a watcher that runs for months: what bounds its memory and its disk."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.pipeline.conftest import lay_database, run_program

if TYPE_CHECKING:
    from pathlib import Path

PROGRAM = """
import sqlite3, sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

from config.home import Home
from flows.engine import engine as engines
from flows.engine.environment import prepare_environment

home = Home(Path(sys.argv[1]))
home.create()
prepare_environment(home)
engines.RENEW_AFTER_RUNS = 2
engine = engines.find_engine(home.logs)
urls, servers = [], []

def note():
    urls.append(engine.start())
    servers.append(engine._embedded._process.pid)

note()
from prefect import flow

@flow
def one():
    return 1

for number in range(2):
    with engine.running():
        one()
    if number == 0:
        engine.rest()
        note()
engine.rest()
note()
with engine.running():
    one()
print("same server after one run:", servers[0] == servers[1])
print("another one after two:", servers[1] != servers[2])
print("at the same place:", len(set(urls)) == 1)

from flows.engine.run_history import KEEP_RUNS_FOR, forget_old_runs

with engine.running():
    now = datetime.now(UTC)
    young = forget_old_runs(now + KEEP_RUNS_FOR - timedelta(hours=1))
    old = forget_old_runs(now + KEEP_RUNS_FOR + timedelta(hours=1))
print("forgotten:", young, old)
engine.stop()
with sqlite3.connect(home.prefect / "prefect.db") as database:
    print("runs left:", database.execute("SELECT count(*) FROM flow_run").fetchone()[0])
    print("events kept:", database.execute("SELECT count(*) FROM events").fetchone()[0])
"""


def test_a_worn_server_is_renewed_in_place_and_forgets_old_runs(
    tmp_path: Path, prefect_database: Path
) -> None:
    lay_database(prefect_database, tmp_path / "home" / "state" / "prefect")
    assert run_program(PROGRAM, tmp_path) == [
        "same server after one run: True",
        "another one after two: True",
        "at the same place: True",
        "forgotten: 0 3",
        "runs left: 0",
        "events kept: 0",
    ]
