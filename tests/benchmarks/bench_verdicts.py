"""How long it takes to look across workouts: `python -m tests.benchmarks.bench_verdicts [N]`.

A store of N workouts (300 without a number) in six activities with five devices, two wrists and
two firmwares, every metric that the settings ask about; one device missed a third of the workouts.
Prints the time of each part of what every run does, and how many rows it gives.
"""

from __future__ import annotations

import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from config.home import Home
from config.settings import load_settings
from tasks.core.discovery import load_metrics
from tasks.core.registers import METRICS
from tasks.store import append_rows, open_store, replace_rows
from tasks.tables.arrow import make_rows
from tasks.tables.tables import DEVICES, MEASUREMENTS, RESULTS, SETUPS, WORKOUTS
from tasks.verdicts.across import judge, look_across
from tasks.verdicts.agreement import find_limits
from tasks.verdicts.conditions import read_conditions
from tasks.verdicts.levels import describe_levels
from tasks.verdicts.numbers import PARTS_OF_LIMITS, list_described, read_numbers

if TYPE_CHECKING:
    from collections.abc import Callable

N_WORKOUTS = int(sys.argv[1]) if len(sys.argv) > 1 else 300
NOON = datetime(2026, 5, 2, 12, tzinfo=UTC)
ROLES = {"new": "test", "old": "predecessor", "band": "peer", "computer": "peer", "s": "reference"}
ACTIVITIES = ("running", "cycling", "hiking", "rowing", "swimming", "strength")


def fill(home: Home) -> None:
    """Fill the store."""
    settings = load_settings().verdicts
    metrics = sorted({*list_described(settings), *PARTS_OF_LIMITS})
    keys = [f"w{number:03}" for number in range(N_WORKOUTS)]
    generator = np.random.default_rng(1)
    results = [
        {
            "run_id": "r",
            "computed_at": NOON,
            "workout_id": key,
            "recording_id": f"{key}-{device}",
            "device_id": device,
            "reference": "s",
            "segment": segment,
            "metric": metric,
            "metric_version": 1,
            "value": float(generator.gamma(3.0)) + 1.0,
        }
        for number, key in enumerate(keys)
        for device in ROLES
        if device != "old" or number % 3
        for metric in metrics
        for segment in {"all", METRICS[metric].judged_in}
    ]
    setups = [
        {"workout_id": key, "device_id": device, "key": name, "value": values[number % 2]}
        for number, key in enumerate(keys)
        for device in ("new", "old")
        for name, values in (("wrist", ("left", "right")), ("firmware", ("1", "2")))
    ]
    workouts = [
        {
            "workout_id": key,
            "start_utc": NOON + timedelta(days=number),
            "activity": ACTIVITIES[number % len(ACTIVITIES)],
            "surroundings": "indoors" if number % 6 > 3 else "outdoors",
        }
        for number, key in enumerate(keys)
    ]
    devices = [{"device_id": key, "role": role} for key, role in ROLES.items()]
    measured = [{"workout_id": key, "run_id": "r", "generation": 1} for key in keys]
    with open_store(home) as connection:
        for table, rows in ((DEVICES, devices), (WORKOUTS, workouts), (SETUPS, setups)):
            replace_rows(connection, table, make_rows(table, rows))
        append_rows(connection, RESULTS, make_rows(RESULTS, results))
        append_rows(connection, MEASUREMENTS, make_rows(MEASUREMENTS, measured))


def take_time(what: str, act: Callable[[], object]) -> None:
    """Print how long `act` takes the second time, and how much it gives."""
    act()
    start_s = time.perf_counter()
    found = act()
    taken_s = time.perf_counter() - start_s
    size = len(found) if isinstance(found, list) else ""
    print(f"{what:<44} {taken_s * 1e3:8.0f} ms {size:>6}")  # noqa: T201


def main() -> None:
    """Run every part."""
    settings = load_settings().verdicts
    load_metrics()
    with tempfile.TemporaryDirectory() as folder:
        home = Home(Path(folder) / "home")
        home.create()
        fill(home)
        with open_store(home) as connection:
            numbers = read_numbers(connection, settings)
            conditions = read_conditions(connection)
            take_time("read the numbers", lambda: read_numbers(connection, settings))
            take_time("verdicts, with reading", lambda: judge(connection, settings))
            take_time("levels", lambda: describe_levels(conditions, numbers, settings))
            take_time("limits", lambda: find_limits(numbers))
            take_time("all that a run does", lambda: look_across(connection, settings))
            take_time(
                "the same, one device changed",
                lambda: look_across(connection, settings, devices={"band"}),
            )


if __name__ == "__main__":
    main()
