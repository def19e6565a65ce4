"""Drops exports into a running `coworn watch` for a long time and looks whether anything grows.

Run as `python -m tests.benchmarks.soak --minutes 30` on Linux. Every few seconds one workout of
three devices is dropped; every fifth drop also brings a broken file and a file that was dropped
before. It prints, for each tenth of the time, the median latency from the last file's arrival to
its results in SQL, and memory, open files and threads of the watcher and of its Prefect server,
with the number of zombie processes; then what has changed from the second tenth to the last.
The exit code is 1 when a workout is missing or doubled at the end, or a zombie is left.
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Final

import duckdb

from config.home import Home
from tests.benchmarks.bench_drop import REPOSITORY
from tests.simulate.demo_devices import ALDER_1, ALDER_2, HAZEL
from tests.simulate.demo_workouts import ROAD
from tests.simulate.devices import record
from tests.simulate.formats import write_export
from tests.simulate.places import Place
from tests.simulate.script import Effort, perform

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

BEGIN: Final = datetime(2026, 1, 10, 8, 0, tzinfo=UTC)
WORKOUT_S: Final = 600.0
DEADLINE_S: Final = 180.0
#: No whole quarter hours, and more than a wrong clock can explain: each workout stands alone.
APART: Final = timedelta(hours=25, minutes=7)
N_PARTS: Final = 10
FORMS: Final = ((ALDER_2, "fit"), (ALDER_1, "gpx"), (HAZEL, "fit"))


@dataclass(frozen=True)
class Probe:
    """What one process holds: resident memory [MB], open files, threads."""

    memory_mb: float
    n_files: int
    n_threads: int


@dataclass(frozen=True)
class Moment:
    """One drop: when [s after the start], its latency [s], watcher and server, zombies."""

    at_s: float
    latency_s: float
    watcher: Probe
    server: Probe
    n_zombies: int


def write_drop(folder: Path, number: int) -> list[Path]:
    """Write three devices' exports of ten minutes, and now and then what a person drops as well."""
    workout = perform(
        [Effort("run", WORKOUT_S, 3.0, 0.7, 85.0, 250.0)],
        name=f"soak-{number}",
        activity="running",
        place=Place("road", ROAD),
        start_utc=BEGIN + APART * number,
        seed=number,
    )
    folder.mkdir(parents=True)
    paths = []
    for device, form in FORMS:
        path = folder / f"soak-{number:05}-{device.device_id}.{form}"
        path.write_bytes(write_export(record(device, workout, number), form))
        paths.append(path)
    if number % 5 == 0:
        broken = folder / f"broken-{number:05}.fit"
        data = bytearray(paths[0].read_bytes())
        data[len(data) // 2] ^= 0xFF  # whole by its length, wrong by its checksum
        broken.write_bytes(data)
        again = folder / f"again-{number:05}.fit"
        again.write_bytes(paths[0].read_bytes())
        paths += [broken, again]
    return paths


def start_watch(home: Home) -> subprocess.Popen[bytes]:
    """Start `coworn watch` and wait until it watches; what it prints goes to a file.

    A pipe that nobody reads would be full after some eighty drops and stop it.
    """
    log = home.root.with_name("watch.log")
    with log.open("wb") as file:
        process = subprocess.Popen(
            [sys.executable, "-m", "flows.cli", "watch", "--home", str(home.root)],
            stdout=file,
            cwd=REPOSITORY,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )
    while b"watching" not in log.read_bytes():
        if process.poll() is not None:
            raise RuntimeError("coworn watch did not start")
        time.sleep(0.1)
    return process


def drop_and_wait(paths: Sequence[Path], home: Home, n_workouts: int) -> float:
    """Move `paths` into the inbox; return the time until the last one has its results."""
    for path in paths[1:]:
        path.rename(home.inbox / path.name)
    arrived = time.monotonic()
    paths[0].rename(home.inbox / paths[0].name)
    while count_workouts(home) < n_workouts:
        if time.monotonic() - arrived > DEADLINE_S:
            raise TimeoutError(f"no results of workout {n_workouts} after {DEADLINE_S} s")
        time.sleep(0.05)
    return time.monotonic() - arrived


def count_workouts(home: Home) -> int:
    """Count the workouts that a person's SQL sees results of."""
    if not home.results.exists():
        return 0
    with duckdb.connect(str(home.results), read_only=True) as connection:
        query = "SELECT count(DISTINCT workout_id) FROM latest_results"
        return int(connection.execute(query).fetchall()[0][0])


def probe(process_id: int) -> Probe:
    """Look at a process through /proc."""
    facts = dict(
        line.split(":", 1) for line in Path(f"/proc/{process_id}/status").read_text().splitlines()
    )
    return Probe(
        memory_mb=int(facts["VmRSS"].split()[0]) / 1000.0,
        n_files=len(list(Path(f"/proc/{process_id}/fd").iterdir())),
        n_threads=int(facts["Threads"]),
    )


def list_descendants(process_id: int) -> Iterator[tuple[int, str]]:
    """Return number and state of every process below `process_id`."""
    for task in Path(f"/proc/{process_id}/task").glob("*/children"):
        for child in (int(word) for word in task.read_text().split()):
            state = Path(f"/proc/{child}/stat").read_text().rpartition(")")[2].split()[0]
            yield child, state
            yield from list_descendants(child)


def look(process_id: int, at_s: float, latency_s: float) -> Moment:
    """Look at the watcher, its Prefect server and its dead children."""
    children = list(list_descendants(process_id))
    alive = [child for child, state in children if state != "Z"]
    # Other children read the exports.
    server = next(
        child for child in alive if b"embedded.py" in Path(f"/proc/{child}/cmdline").read_bytes()
    )
    return Moment(at_s, latency_s, probe(process_id), probe(server), len(children) - len(alive))


def describe(moments: Sequence[Moment]) -> str:
    """Return one line of medians."""
    latencies = [moment.latency_s for moment in moments]
    parts = [f"{median(latencies):6.2f} s  worst {max(latencies):6.2f} s"]
    for name in ("watcher", "server"):
        probes = [getattr(moment, name) for moment in moments]
        parts.append(
            f"{name} {median(one.memory_mb for one in probes):6.1f} MB "
            f"{median(one.n_files for one in probes):4.0f} files "
            f"{median(one.n_threads for one in probes):3.0f} threads"
        )
    parts.append(f"zombies {max(moment.n_zombies for moment in moments)}")
    return "  ".join(parts)


def find_part(moments: Sequence[Moment], part: int, duration_s: float) -> list[Moment]:
    """Return the moments of one tenth of the time."""
    return [one for one in moments if min(int(one.at_s / duration_s * N_PARTS), 9) == part]


def soak(home: Home, scratch: Path, *, duration_s: float, every_s: float) -> list[Moment]:
    """Drop until the time is over; print each tenth as it ends."""
    out = sys.stdout
    process = start_watch(home)
    moments: list[Moment] = []
    told = 0
    begun = time.monotonic()
    try:
        while time.monotonic() - begun < duration_s:
            number = len(moments)
            next_s = time.monotonic() + every_s
            paths = write_drop(scratch / f"drop-{number}", number)
            latency_s = drop_and_wait(paths, home, number + 1)
            shutil.rmtree(scratch / f"drop-{number}")
            moments.append(look(process.pid, time.monotonic() - begun, latency_s))
            while moments[-1].at_s / duration_s * N_PARTS >= told + 1 and told < N_PARTS:
                if part := find_part(moments, told, duration_s):
                    out.write(f"{told * duration_s / 600:5.1f} min  {describe(part)}\n")
                    out.flush()
                told += 1
            time.sleep(max(0.0, next_s - time.monotonic()))
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(timeout=120)
    if process.returncode != 0:
        raise RuntimeError(f"coworn watch ended with {process.returncode}")
    return moments


def check_results(home: Home, n_workouts: int) -> list[str]:
    """Return what is wrong with the store after so many drops."""
    with duckdb.connect(str(home.results), read_only=True) as connection:
        n_found, n_recordings, n_runs = connection.execute(
            "SELECT (SELECT count(*) FROM workouts), (SELECT count(*) FROM recordings), "
            "(SELECT count(*) - count(DISTINCT (workout_id)) FROM (SELECT DISTINCT workout_id, "
            "run_id FROM results))"
        ).fetchall()[0]
    wrong = []
    if n_found != n_workouts:
        wrong.append(f"{n_found} workouts instead of {n_workouts}")
    if n_recordings != len(FORMS) * n_workouts:
        wrong.append(f"{n_recordings} recordings instead of {len(FORMS) * n_workouts}")
    if n_runs:
        wrong.append(f"{n_runs} workouts were measured again although nothing had changed")
    if left := sorted(path.name for path in home.inbox.iterdir()):
        wrong.append(f"left in the inbox: {', '.join(left)}")
    return wrong


def main() -> int:
    """Soak, then print what has grown."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=30.0)
    parser.add_argument("--every", type=float, default=12.0, help="seconds between two drops")
    asked = parser.parse_args()
    out = sys.stdout
    duration_s = asked.minutes * 60.0
    with tempfile.TemporaryDirectory() as scratch:
        home = Home(Path(scratch) / "home")
        home.create()
        home.devices.write_text((REPOSITORY / "inbox_demo" / "devices.toml").read_text())
        moments = soak(home, Path(scratch), duration_s=duration_s, every_s=asked.every)
        wrong = check_results(home, len(moments))
    first, last = find_part(moments, 1, duration_s), find_part(moments, 9, duration_s)
    if any(moment.n_zombies for moment in moments):
        wrong.append("zombie processes were seen")
    out.write(f"{len(moments)} drops in {moments[-1].at_s / 60:.1f} min\n")
    for name, part in (("second tenth", first), ("last tenth", last)):
        if part:
            out.write(f"{name}: {describe(part)}\n")
    for line in wrong:
        out.write(f"WRONG: {line}\n")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
