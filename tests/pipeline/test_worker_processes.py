"""Worker processes of a backfill: killed, left alone, and with no server of their own."""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

from tests.pipeline.conftest import ROOT, Place, clean_environment, wait_until, write_csv

PROGRAM = """
import os, signal, sys
from datetime import UTC, datetime
from pathlib import Path
from config.home import Home
from config.session import Session
from config.settings import load_settings
from flows.engine.task_runner import map_task
from prefect import flow
from tasks.steps import Step

mark = Path(sys.argv[1])
session = Session(Home(mark.parent / "home"), load_settings(), ())

def double(number, mark):
    if number == 2 and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    if number == 3:
        raise ValueError("three is refused")
    return 2 * number

@flow
def spread():
    calls = [{"number": number, "mark": mark} for number in range(6)]
    return list(map_task(Step(double, "double"), calls, session=session, spread=True))

if __name__ == "__main__":
    print([type(one).__name__ if isinstance(one, Exception) else one for one in spread()])
"""


def test_a_killed_worker_loses_nothing(prefect_server: str, tmp_path: Path) -> None:
    program = tmp_path / "program.py"
    program.write_text(PROGRAM)
    done = subprocess.run(
        [sys.executable, str(program), str(tmp_path / "killed")],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
        env=clean_environment(
            PREFECT_API_URL=prefect_server,
            PREFECT_HOME=str(tmp_path / "prefect"),
            PREFECT_LOGGING_HANDLERS_CONSOLE_LEVEL="CRITICAL",
            DO_NOT_TRACK="1",
        ),
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "killed").exists()
    assert done.stdout.splitlines()[-1] == "[0, 2, 4, 'ValueError', 8, 10]", done.stderr


OWNER = """
import os, sys, time
from pathlib import Path
from config.home import Home
from config.session import Session
from config.settings import load_settings
from flows.engine.task_runner import map_task
from prefect import flow
from tasks.steps import Step

session = Session(Home(Path(sys.argv[1]) / "home"), load_settings(), ())

def wait_long(folder):
    open(os.path.join(folder, str(os.getpid())), "w").close()
    time.sleep(600)

@flow
def spread():
    calls = [{"folder": sys.argv[1]}, {"folder": sys.argv[1]}]
    return list(map_task(Step(wait_long, "wait-long"), calls, session=session, spread=True))

if __name__ == "__main__":
    spread()
"""


def test_workers_end_when_their_owner_is_killed(prefect_server: str, tmp_path: Path) -> None:
    program = tmp_path / "program.py"
    program.write_text(OWNER)
    marks = tmp_path / "marks"
    marks.mkdir()
    owner = subprocess.Popen(
        [sys.executable, str(program), str(marks)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        cwd=ROOT,
        env=clean_environment(
            PREFECT_API_URL=prefect_server,
            PREFECT_HOME=str(tmp_path / "prefect"),
            DO_NOT_TRACK="1",
        ),
    )
    try:
        wait_until(lambda: len(list(marks.iterdir())) == 2, "both workers are at work", 180)
    finally:
        owner.kill()
        owner.wait()
    workers = [Path(f"/proc/{path.name}") for path in marks.iterdir()]
    wait_until(lambda: not any(path.exists() for path in workers), "the workers are gone", 30)


def list_servers(home: Path) -> list[str]:
    """Return the command lines of Prefect servers that work for `home` and are not ours."""
    found = []
    for path in Path("/proc").glob("[0-9]*"):
        try:
            command = (path / "cmdline").read_bytes().replace(b"\0", b" ").decode()
            if "create_app" in command and str(home).encode() in (path / "environ").read_bytes():
                found.append(command)
        except (OSError, UnicodeDecodeError):
            continue  # it has ended, or is somebody else's
    return found


def test_a_backfill_in_batches_on_processes_starts_no_server_but_ours(
    tmp_path: Path, prefect_database: Path
) -> None:
    # Prefect's thread that forwards the events of a pool's processes knows no context: it started
    # a server of its own, which outlived a killed command.
    place = Place(tmp_path / "home", None)
    place.configure('[run]\nbackfill_files = 2\nbatch_files = 2\nrunner = "processes"\n')
    place.lay_database(prefect_database)
    for day in range(1, 4):
        start = datetime(2026, 5, day, 6, 0, tzinfo=UTC)
        write_csv(tmp_path / "all" / f"strap-{day}.csv", start=start)
    (tmp_path / "all" / "broken.gpx").write_text("<gpx></gpx>")
    seen: list[str] = []
    process = subprocess.Popen(
        [
            *(sys.executable, "-m", "flows.cli", "ingest", str(tmp_path / "all")),
            *("--home", str(place.root)),
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env=place.environment(),
    )
    try:

        def has_ended() -> bool:
            seen.extend(list_servers(place.root))
            return process.poll() is not None

        wait_until(has_ended, "the backfill has ended", 300)
    finally:
        process.kill()
        _, told = process.communicate()
    assert process.returncode == 1, told
    assert told.count("\n") == 1, told
    assert place.ask("SELECT count(*) FROM workouts") == [(3,)]
    assert seen == []
