"""Times the report of one new workout among 500.

Run as `python -m tests.benchmarks.bench_report`. A home is filled with results and lake of the
demo's workouts, repeated under other days until there are 500, and its report is written once
without figures. Then one workout is new: its page is not there, and the report is written as a flow
does it, figures included, in a process of its own, whose CPU time and largest memory are printed.
The limits are 8 s of CPU and 600 MB.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import duckdb

from config.home import Home
from config.settings import load_settings
from tasks.report import write_report
from tasks.store import connect_for_reading, find_published
from tests.unit.report_home import build_home

N_WORKOUTS = 500
MAX_CPU_S = 8.0
MAX_MEMORY_MB = 600.0
#: Tables with one part per workout, and the columns that name it or one of its recordings.
_TABLES = ("workouts", "recordings", "alignments", "segments", "setups", "measurements", "results")
_DROPS = ("2025-11-16", "2025-11-22", "2025-11-30-mixed", "2025-11-28")


def fill(home: Home) -> str:
    """Repeat every workout of the published copy until there are N_WORKOUTS; return the newest."""
    copy = find_published(home)
    assert copy is not None
    with duckdb.connect(str(copy)) as connection:
        (have,) = connection.execute("SELECT count(*) FROM workouts").fetchone() or (0,)
        copies = N_WORKOUTS // have
        for table in (*_TABLES, "findings"):
            columns = [row[0] for row in connection.execute(f"DESCRIBE {table}").fetchall()]
            replaced = ", ".join(
                f"{name} || '-' || copy AS {name}"
                for name in ("workout_id", "recording_id", "reference_timeline")
                if name in columns
            )
            moved = ", ".join(
                f"{name} - to_days(copy::INT * 2) AS {name}"
                for name in ("start_utc", "end_utc")
                if name in columns
            )
            replace = ", ".join(part for part in (replaced, moved) if part)
            connection.execute(
                f"INSERT INTO {table} SELECT * EXCLUDE (copy) REPLACE ({replace}) FROM "  # noqa: S608
                f"(SELECT t.*, r.range AS copy FROM {table} t, range(1, {copies}) r)"
            )
        return str(
            connection.execute(
                "SELECT workout_id FROM workouts ORDER BY start_utc DESC LIMIT 1"
            ).fetchone()[0]  # type: ignore[index]
        )


def fill_lake(lake: Path) -> None:
    """Repeat the folders of the lake under the names of the copies; the files are linked."""
    copies = N_WORKOUTS // len(_DROPS)
    for folder in [one for one in lake.glob("*/*=*") if not one.name.endswith("=none")]:
        for number in range(1, copies):
            made = folder.with_name(f"{folder.name}-{number}")
            made.mkdir()
            for file in folder.iterdir():
                (made / file.name).hardlink_to(file)


def write_one(root: Path) -> None:
    """Write the report as a flow does, and print what it took of CPU [s] and memory [MB]."""
    home = Home(root)
    connection = connect_for_reading(home)
    report = write_report(connection, home.report, settings=load_settings(), most_figures=1)
    connection.close()
    used = resource.getrusage(resource.RUSAGE_SELF)
    print(report.written, used.ru_utime + used.ru_stime, read_peak_mb())  # noqa: T201 - the measurement


def read_peak_mb() -> float:
    """Return the largest memory of this process [MB].

    From the kernel's VmHWM, since ru_maxrss goes on counting the parent's memory after a start by
    vfork (proc_pid_status(5), getrusage(2)).
    """
    lines = Path("/proc/self/status").read_text(encoding="utf-8").splitlines()
    kilobytes = next(line for line in lines if line.startswith("VmHWM:")).split()[1]
    return int(kilobytes) * 1024 / 1e6


def main() -> int:
    """Build, measure, judge."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--of", type=Path, help="only write the report of this home")
    chosen = parser.parse_args().of
    if chosen is not None:
        write_one(chosen)
        return 0
    with tempfile.TemporaryDirectory() as folder:
        home = build_home(Path(folder) / "home", *_DROPS)
        newest = fill(home)
        fill_lake(home.lake)
        begun = time.perf_counter()
        connection = connect_for_reading(home)
        report = write_report(connection, home.report, settings=load_settings(), most_figures=0)
        connection.close()
        print(f"{report.pages} pages for the first time: {time.perf_counter() - begun:.1f} s")  # noqa: T201 - the measurement
        (home.report / "workouts" / f"{newest}.html").unlink()
        command = [sys.executable, "-m", "tests.benchmarks.bench_report", "--of", str(home.root)]
        answer = subprocess.run(command, check=True, capture_output=True, text=True)
        written, cpu_s, memory_mb = (float(word) for word in answer.stdout.split())
    print(f"one new workout: {written:.0f} pages, {cpu_s:.1f} s CPU, {memory_mb:.0f} MB")  # noqa: T201 - the measurement
    is_good = cpu_s <= MAX_CPU_S and memory_mb <= MAX_MEMORY_MB
    print("within" if is_good else f"BEYOND {MAX_CPU_S} s or {MAX_MEMORY_MB} MB")  # noqa: T201 - the measurement
    return 0 if is_good else 1


if __name__ == "__main__":
    sys.exit(main())
