"""Several processes and threads write, publish and read at once; nothing is lost or doubled."""

from __future__ import annotations

import subprocess
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb

from tasks.store import connect_for_reading, find_published, publish, read_store, run_query
from tests.unit.store.rows import measure

if TYPE_CHECKING:
    from config.home import Home
    from config.settings import Settings

ROOT = Path(__file__).parents[3]

WRITER = """
import sys
from pathlib import Path
from config.home import Home
from config.settings import load_settings
from tasks.store import publish
from tests.unit.store.rows import measure
home, name = Home(Path(sys.argv[1])), sys.argv[2]
for number in range(int(sys.argv[3])):
    assert measure(home, f"{name}-{number}", f"{name}-{number}")
    publish(home, load_settings())
"""


def start_writer(home: Home, name: str, n: int) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-c", WRITER, str(home.root), name, str(n)],
        cwd=ROOT,
        env={"PYTHONPATH": str(ROOT)},
    )


def test_processes_that_create_append_and_publish_at_once_lose_nothing(
    home: Home, settings: Settings
) -> None:
    writers = [start_writer(home, name, 5) for name in ("a", "b", "c")]
    assert [writer.wait(120) for writer in writers] == [0, 0, 0]
    wanted = sorted(f"{name}-{number}" for name in "abc" for number in range(5))
    with read_store(home) as connection:
        measured = connection.execute("SELECT workout_id FROM measurements ORDER BY 1").fetchall()
        assert connection.execute("SELECT count(*) FROM results").fetchall() == [(30,)]
    assert [row[0] for row in measured] == wanted
    # Whoever published last published everything.
    assert not publish(home, settings).is_new
    with connect_for_reading(home) as connection:
        found = run_query(connection, "SELECT DISTINCT workout_id FROM latest_results ORDER BY 1")
    assert found.column("workout_id").to_pylist() == wanted


def test_threads_of_one_process_take_turns(home: Home, settings: Settings) -> None:
    failures: list[BaseException] = []

    def work(name: str) -> None:
        try:
            for number in range(4):
                measure(home, f"{name}-{number}", f"{name}-{number}")
                publish(home, settings)
        except BaseException as error:  # noqa: BLE001 - a thread must hand its error over
            failures.append(error)

    threads = [threading.Thread(target=work, args=(name,)) for name in "abc"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(120)
    assert failures == []
    with read_store(home) as connection:
        assert connection.execute("SELECT count(*) FROM measurements").fetchall() == [(12,)]


def test_a_reader_sees_whole_measurements_only_while_others_write(
    home: Home, settings: Settings
) -> None:
    measure(home, "w", "w")
    publish(home, settings)
    writer = start_writer(home, "a", 8)
    seen = set()
    n_looks = 0
    while writer.poll() is None or n_looks == 0:
        copy = find_published(home)
        assert copy is not None, "the link always points to a copy"
        try:
            with duckdb.connect(str(home.results), read_only=True) as connection:
                n_results, n_findings = connection.execute(
                    "SELECT (SELECT count(*) FROM results), (SELECT count(*) FROM findings)"
                ).fetchall()[0]
        except duckdb.IOException:
            # The copy that the link pointed to was removed as an old one before it was opened.
            assert not copy.exists()
            continue
        assert n_results == 2 * n_findings
        seen.add(n_findings)
        n_looks += 1
    assert writer.returncode == 0
    assert seen <= set(range(1, 10))
