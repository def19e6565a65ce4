"""What coworn costs, against the same work by hand: `python -m tests.benchmarks [--short]`.

Costs are CPU time, so that a busy machine changes little, of whole processes with the processes
that they start; "hand" is that of `tests.benchmarks.hand` for the same five files of one hour,
measured beside it. The table has a row for each figure and the most memory of a single process.
A drop among many workouts is counted without reading and measuring, which do not depend on them.

`--workouts 0 1000 3000` says among how many (the short form: 0 and 300). A figure that has a bound
is held against it; the bounds leave room for any machine, as ratios do. The exit code is 1 when one
is passed.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median
from typing import Final

from config.home import Home
from tests.benchmarks.bench_simulate import HOUR_S, dress
from tests.benchmarks.clones import clone_workouts
from tests.simulate.demo_workouts import ROAD
from tests.simulate.devices import record
from tests.simulate.formats import write_export
from tests.simulate.places import Place
from tests.simulate.script import Effort, perform

ROOT: Final = Path(__file__).resolve().parents[2]
BEGIN: Final = datetime(2026, 1, 10, 8, 0, tzinfo=UTC)
#: The most that a figure may cost [hand]; about twice what was measured when the bound was set.
BOUNDS: Final = {
    "ingest into a new home": 6.0,
    "ingest of known files": 2.0,
    "status": 1.4,
    "sql of one statement": 0.8,
    "a drop among 0 workouts": 2.0,
    "a drop among 300 workouts": 4.0,
}
#: Starts the program that its arguments name. A process begins with the memory of the one that
#: starts it, as far as the system's accounts go: this one is small.
_LAUNCHER: Final = """
import os, sys
child = os.fork()
if not child:
    os.dup2(2, 1)
    os.execv(sys.argv[1], sys.argv[1:])
_, status, used = os.wait4(child, 0)
print(used.ru_utime + used.ru_stime, used.ru_maxrss)
sys.exit(os.waitstatus_to_exitcode(status))
"""
_STAGE: Final = re.compile(r"(\w[\w ]*?) [\d.]+ s \(CPU ([\d.]+) s, \d+ MB\)")


@dataclass(frozen=True)
class Cost:
    """CPU time of a process and its children [s], and the most memory of one of them [MB]."""

    cpu_s: float
    peak_mb: float


def run(*words: str) -> Cost:
    """Run a program of ours in a process of its own; return what it cost.

    Raises: RuntimeError when it ends with more than 1, which refused files give.
    """
    done = subprocess.run(
        [sys.executable, "-I", "-S", "-c", _LAUNCHER, sys.executable, "-m", *words],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode not in (0, 1):
        raise RuntimeError(f"{' '.join(words)}: {done.stderr}")
    cpu_s, peak_kb = done.stdout.split()
    return Cost(float(cpu_s), float(peak_kb) / 1e3)


def run_often(n_runs: int, *words: str) -> Cost:
    """Return the medians of several runs."""
    costs = [run(*words) for _ in range(n_runs)]
    return Cost(median(one.cpu_s for one in costs), max(one.peak_mb for one in costs))


def write_hour(folder: Path, day: int) -> list[Path]:
    """Write a ride of one hour as five devices export it, all as FIT."""
    workout = perform(
        [Effort("ride", HOUR_S, 8.0, 0.65, 88.0, 210.0)],
        name=f"hour-{day}",
        activity="cycling",
        place=Place("road", ROAD),
        start_utc=BEGIN + timedelta(days=day),
        seed=day,
    )
    folder.mkdir(parents=True)
    paths = []
    for worn in dress():
        path = folder / f"hour-{day}-{worn.device.device_id}.fit"
        path.write_bytes(write_export(record(worn.device, workout, day), "fit"))
        paths.append(path)
    return paths


def make_home(root: Path) -> Home:
    """Make a home that knows the demo's devices."""
    home = Home(root)
    home.create()
    shutil.copyfile(ROOT / "inbox_demo" / "devices.toml", home.devices)
    return home


def measure_drop(home: Home, drop: Path) -> tuple[Cost, str]:
    """Ingest a drop; return what it cost besides reading and measuring, and each of these stages.

    The log says both.
    """
    cost = run("flows.cli", "ingest", str(drop), "--home", str(home.root))
    line = (home.logs / "coworn.log").read_text().splitlines()[-1]
    stages = {stage.rpartition("; ")[2].strip(): float(cpu) for stage, cpu in _STAGE.findall(line)}
    beside = sum(cpu for stage, cpu in stages.items() if stage not in {"read", "measure"})
    told = ", ".join(f"{name} {cpu:.1f}" for name, cpu in stages.items())
    return Cost(beside, cost.peak_mb), told


class Table:
    """Prints a row for each figure as it comes, and remembers which bounds were passed."""

    def __init__(self, hand_s: float) -> None:
        self._hand_s = hand_s
        self.passed: list[str] = []
        print(f"1 hand = {hand_s:.2f} s of CPU time\n")  # noqa: T201
        print(f"{'figure':44}{'hand':>7}{'CPU':>10}{'memory':>10}{'bound':>8}")  # noqa: T201

    def add(self, name: str, cost: Cost) -> None:
        """Add a figure."""
        ratio, bound = cost.cpu_s / self._hand_s, BOUNDS.get(name)
        shown = "" if bound is None else f"{bound:8.1f}"
        print(  # noqa: T201
            f"{name:44}{ratio:7.2f}{cost.cpu_s:8.2f} s{cost.peak_mb:7.0f} MB{shown}", flush=True
        )
        if bound is not None and ratio > bound:
            self.passed.append(f"{name}: {ratio:.2f} hand, at most {bound:g}")


def measure(scratch: Path, *, workouts: list[int], n_runs: int, with_demo: bool) -> list[str]:
    """Measure everything; return the bounds that were passed."""
    first, second = write_hour(scratch / "first", 0), write_hour(scratch / "second", 1)
    table = Table(run_often(n_runs, "tests.benchmarks.hand", *map(str, first)).cpu_s)
    homes = [make_home(scratch / f"home-{number}") for number in range(n_runs)]
    costs = [
        run("flows.cli", "ingest", str(first[0].parent), "--home", str(home.root)) for home in homes
    ]
    table.add(
        "ingest into a new home",
        Cost(median(one.cpu_s for one in costs), max(one.peak_mb for one in costs)),
    )
    where = ("--home", str(homes[0].root))
    for name, words in (
        ("ingest of known files", ("ingest", str(first[0].parent))),
        ("status", ("status",)),
        ("sql of one statement", ("sql", "SELECT count(*) FROM workouts")),
        ("sql of one wide view", ("sql", "SELECT count(*) FROM heart_rate")),
        ("sql of samples", ("sql", "SELECT count(*) FROM samples")),
    ):
        table.add(name, run_often(n_runs, "flows.cli", *words, *where))
    if with_demo:
        table.add("demo", run("flows.cli", "demo", "--home", str(scratch / "demo")))
    for number in workouts:
        home = Home(scratch / f"among-{number}")
        shutil.copytree(homes[0].root, home.root, symlinks=True)
        if number:
            clone_workouts(home, number - 1)
            view = ("sql", "SELECT count(*) FROM heart_rate", "--home", str(home.root))
            table.add(f"sql of one wide view, {number} workouts", run("flows.cli", *view))
            status = ("status", "--home", str(home.root))
            table.add(f"status, {number} workouts", run("flows.cli", *status))
        cost, told = measure_drop(home, second[0].parent)
        table.add(f"a drop among {number} workouts", cost)
        print(f"  CPU [s] of its stages: {told}")  # noqa: T201
        shutil.rmtree(home.root)
    return table.passed


def main() -> int:
    """Print the table; return 1 when a bound was passed."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--short", action="store_true", help="a minute, for CI")
    parser.add_argument("--workouts", type=int, nargs="*", help="among how many a drop is measured")
    chosen = parser.parse_args()
    workouts = chosen.workouts
    if workouts is None:
        workouts = [0, 300] if chosen.short else [0, 1000, 3000]
    with tempfile.TemporaryDirectory() as scratch:
        passed = measure(
            Path(scratch),
            workouts=workouts,
            n_runs=1 if chosen.short else 3,
            with_demo=not chosen.short,
        )
    for line in passed:
        print(f"passed its bound: {line}")  # noqa: T201
    return 1 if passed else 0


if __name__ == "__main__":
    sys.exit(main())
