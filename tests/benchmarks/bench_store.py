"""How long the store takes: `python -m tests.benchmarks.bench_store`.

One workout is measured as 6 recordings x 40 values x 8 segments; the store is filled with 200 of
them first. Prints the median of each step.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from config.home import Home
from config.settings import load_settings
from tasks.store import (
    append_if_changed,
    append_rows,
    backup,
    connect_for_reading,
    open_store,
    publish,
    read_store,
    replace_rows,
    run_query,
)
from tasks.tables.arrow import make_empty, make_rows
from tasks.tables.tables import FINDINGS, MEASUREMENTS, RESULTS, WORKOUTS

if TYPE_CHECKING:
    from collections.abc import Callable

    import pyarrow as pa

N_WORKOUTS = 200
N_TIMES = 7
NOON = datetime(2026, 5, 2, 12, tzinfo=UTC)


def make_measurement(workout_id: str, run_id: str) -> pa.Table:
    """Return the results of one workout."""
    rows = [
        {
            "run_id": run_id,
            "computed_at": NOON,
            "workout_id": workout_id,
            "recording_id": f"{workout_id}-{recording}",
            "device_id": f"device-{recording}",
            "reference": "strap",
            "segment": f"segment {segment}",
            "metric": f"metric_{metric}",
            "metric_version": 1,
            "value": recording + metric / 7.0,
            "n": 3600,
            "unit": "bpm",
        }
        for recording in range(6)
        for segment in range(8)
        for metric in range(40)
    ]
    return make_rows(RESULTS, rows)


def fill(home: Home) -> int:
    """Fill the store; return the number of results."""
    one = make_measurement("w", "r")
    with open_store(home) as connection:
        for number in range(N_WORKOUTS):
            key = f"w{number}"
            named = one.set_column(2, RESULTS.column_names[2], [[key] * one.num_rows])
            append_rows(connection, RESULTS, named.cast(one.schema))
            workout = {"workout_id": key, "start_utc": NOON}
            replace_rows(connection, WORKOUTS, make_rows(WORKOUTS, [workout]))
            measured = {"workout_id": key, "run_id": "r", "generation": 1}
            append_rows(connection, MEASUREMENTS, make_rows(MEASUREMENTS, [measured]))
    return N_WORKOUTS * one.num_rows


def take_time(what: str, act: Callable[[int], object]) -> None:
    """Print the median time of `act`."""
    taken_s = []
    for number in range(N_TIMES):
        start_s = time.perf_counter()
        act(number)
        taken_s.append(time.perf_counter() - start_s)
    print(f"{what:<58} {statistics.median(taken_s) * 1e3:8.1f} ms")  # noqa: T201


def main() -> None:
    """Run every step."""
    settings = load_settings()
    with tempfile.TemporaryDirectory() as folder:
        home = Home(Path(folder) / "home")
        home.create()
        print(f"{fill(home)} results in the store")  # noqa: T201

        def append(run_id: str, workout_id: str) -> None:
            with open_store(home) as connection:
                append_if_changed(
                    connection,
                    workout_id=workout_id,
                    run_id=run_id,
                    results=make_measurement(workout_id, run_id),
                    findings=make_empty(FINDINGS),
                )

        def read(_: int) -> None:
            with read_store(home) as connection:
                connection.execute("SELECT count(*) FROM latest_results").fetchall()

        def publish_change(number: int) -> None:
            append(f"p{number}", f"published {number}")
            publish(home, settings)

        def ask(_: int) -> None:
            with connect_for_reading(home) as connection:
                run_query(connection, "SELECT count(*) FROM latest_results")

        append("first", "fixed")
        take_time("open, append one new workout, commit", lambda n: append(f"n{n}", f"new {n}"))
        take_time("open, find one workout unchanged", lambda n: append(f"s{n}", "fixed"))
        take_time("open to read, count the latest results", read)
        take_time("append one workout and publish", publish_change)
        take_time("publish when nothing changed", lambda _: publish(home, settings))
        take_time("open the published copy and ask one question", ask)
        take_time("back up, open and compare", lambda _: backup(home, settings, now=NOON))
        print(f"{home.store.stat().st_size / 1e6:.1f} MB")  # noqa: T201


if __name__ == "__main__":
    main()
