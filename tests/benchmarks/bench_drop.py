"""Times a drop of five one-hour files into a running `coworn watch`.

Run as `python -m tests.benchmarks.bench_drop`. For each of several drops it prints the time from
the last file's arrival in the inbox until the results can be asked in SQL, and its parts: the quiet
time that the watcher waits by its settings, the work itself (the same stages called as plain
functions in this process), and the rest, which is orchestration: events, scans, Prefect.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median

import duckdb

from config.home import Home
from config.settings import Settings, load_settings
from tasks import processing, store
from tasks.core.provenance import begin_run
from tasks.ingest import exports
from tests.benchmarks.bench_simulate import HOUR_S, dress
from tests.simulate.demo_workouts import ROAD
from tests.simulate.devices import record
from tests.simulate.formats import write_export
from tests.simulate.places import Place
from tests.simulate.script import Effort, perform

REPOSITORY = Path(__file__).resolve().parents[2]
N_DROPS = 4
BEGIN = datetime(2026, 1, 10, 8, 0, tzinfo=UTC)
DEADLINE_S = 120.0
PAUSE_S = 8.0


def write_drop(folder: Path, number: int) -> list[Path]:
    """Write five devices' exports of one hour: four FIT files and a CSV."""
    workout = perform(
        [Effort("ride", HOUR_S, 8.0, 0.65, 88.0, 210.0)],
        name=f"hour-{number}",
        activity="cycling",
        place=Place("road", ROAD),
        start_utc=BEGIN + timedelta(days=number),
        seed=number,
    )
    folder.mkdir(parents=True)
    paths = []
    for worn in dress():
        form = "iso.csv" if worn.device.device_id == "rowan" else "fit"
        path = folder / f"hour-{number}-{worn.device.device_id}.{form.rpartition('.')[2]}"
        path.write_bytes(write_export(record(worn.device, workout, number), form))
        paths.append(path)
    return paths


def work_plainly(paths: list[Path], *, home: Home, settings: Settings) -> float:
    """Do the whole job without watcher and Prefect; return the time that it takes [s]."""
    begun = time.perf_counter()
    for path in paths:
        file = exports.Dropped(path, path.name)
        exports.ingest_file(file, home=home, settings=settings, move=False)
    prepared = processing.prepare(home, settings)
    outcomes = [
        processing.measure_planned(one, home=home, settings=settings)
        for one in prepared.plan.workouts
    ]
    run = begin_run("bench", settings_hash=settings.hash_of_values)
    processing.commit(prepared, outcomes, run=run, home=home, settings=settings, wait_s=10.0)
    processing.finish(prepared, outcomes, home=home)
    store.publish(home, settings)
    return time.perf_counter() - begun


def drop_and_wait(paths: list[Path], home: Home, n_workouts: int) -> float:
    """Move `paths` into the inbox; return the time until the last one has its results."""
    for path in paths[:-1]:
        path.rename(home.inbox / path.name)
    arrived = time.perf_counter()
    paths[-1].rename(home.inbox / paths[-1].name)
    while not can_ask(home, n_workouts):
        if time.perf_counter() - arrived > DEADLINE_S:
            raise TimeoutError(f"no results after {DEADLINE_S} s")
        time.sleep(0.01)
    return time.perf_counter() - arrived


def can_ask(home: Home, n_workouts: int) -> bool:
    """Say whether a person's SQL sees results of so many workouts."""
    if not home.results.exists():
        return False
    with duckdb.connect(str(home.results), read_only=True) as connection:
        found = connection.execute("SELECT count(DISTINCT workout_id) FROM heart_rate").fetchall()
    return bool(found[0][0] >= n_workouts)


def start_watch(home: Home) -> subprocess.Popen[str]:
    """Start `coworn watch` and wait until it watches."""
    process = subprocess.Popen(
        [sys.executable, "-m", "flows.cli", "watch", "--home", str(home.root)],
        stdout=subprocess.PIPE,
        text=True,
        cwd=REPOSITORY,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    if process.stdout is None or "watching" not in process.stdout.readline():
        raise RuntimeError("coworn watch did not start")
    return process


def main() -> None:
    """Print the times of each drop and their medians."""
    out = sys.stdout
    settings = load_settings()
    with tempfile.TemporaryDirectory() as scratch:
        drops = [write_drop(Path(scratch) / f"drop-{n}", n) for n in range(N_DROPS)]
        devices = (REPOSITORY / "inbox_demo" / "devices.toml").read_text()
        plain, watched = Home(Path(scratch) / "plain"), Home(Path(scratch) / "watched")
        for home in (plain, watched):
            home.create()
            home.devices.write_text(devices)
        work = [work_plainly(paths, home=plain, settings=settings) for paths in drops]
        process = start_watch(watched)
        try:
            totals = []
            for number, paths in enumerate(drops):
                # Drops are hours apart; the server has long written down the one before.
                time.sleep(PAUSE_S)
                totals.append(drop_and_wait(paths, watched, number + 1))
        finally:
            process.send_signal(signal.SIGTERM)
            process.communicate(timeout=60)
    quiet_s = settings.inbox.quiet_s
    out.write("drop  arrival to results  quiet time   work  orchestration\n")
    rows = list(zip(totals, work, strict=True))
    for number, (total, plainly) in enumerate(rows):
        rest = total - quiet_s - plainly
        out.write(
            f"{number:4}  {total:16.2f} s  {quiet_s:8.2f} s  {plainly:4.2f} s  {rest:6.2f} s "
            f"({100 * rest / total:.0f} %)\n"
        )
    later = rows[1:]  # the first drop also loads libraries
    rests = [total - quiet_s - plainly for total, plainly in later]
    out.write(
        f"median without the first: {median(total for total, _ in later):.2f} s, of which "
        f"{median(plainly for _, plainly in later):.2f} s work and {median(rests):.2f} s "
        "orchestration\n"
    )


if __name__ == "__main__":
    main()
