"""How often intervals of delays hold the truth: `python -m tests.benchmarks.coverage_delays`.

Half of the devices show the reference late by up to 12 s, a pure shift; half answer with a dead
time of up to 4 s and a time constant of 3 to 10 s; with errors of every kind in
`coverage_families`. The true lag of the latter is the one that the same correlation finds without
errors. Prints a table; `--record` keeps it for `config/reference/intervals.md`; `--runs` workouts
of each kind and length.
"""

from __future__ import annotations

import argparse
import sys
from typing import Final

import numpy as np

from tasks.core.discovery import load_metrics
from tasks.core.registers import METRICS
from tasks.maths.first_order_response import respond_first_order
from tasks.maths.lag import estimate_lag
from tests.benchmarks.coverage import (
    RUNS,
    SECONDS,
    Cell,
    judge,
    make_case,
    record,
    write_table,
)
from tests.benchmarks.coverage_families import FAMILIES, Family, Floats, draw_reference

_MOST_LATE_S: Final = 12.0
_MOST_DEAD_S: Final = 4.0
_CONSTANTS_S: Final = (3.0, 10.0)
_MOST_LAG_S: Final = 60
#: What a response needs before a workout begins, to have forgotten that it began.
_BEFORE_S: Final = 120
_SEED: Final = 2
METRICS_OF_DELAY: Final = (
    "hr_lag_s",
    "hr_mean_delay_s",
    "hr_dead_time_s",
    "hr_time_constant_s",
)


def draw_workout(
    n_seconds: int, run: int, generator: np.random.Generator
) -> tuple[Floats, Floats, dict[str, float]]:
    """Return a reference, what a late device would show without errors, and the true delays."""
    is_slow = run // 2 % 2 == 1
    dead_s = generator.uniform(0, _MOST_DEAD_S if is_slow else _MOST_LATE_S)
    constant_s = generator.uniform(*_CONSTANTS_S) if is_slow else 0.0
    earlier = draw_reference(n_seconds + _BEFORE_S, generator, slow=run % 2 == 1)
    seconds = np.arange(earlier.size)
    late = np.interp(seconds - dead_s, seconds, respond_first_order(earlier, constant_s))
    reference, late = earlier[_BEFORE_S:], late[_BEFORE_S:]
    lag_s = dead_s
    if is_slow:
        found = estimate_lag(reference, late, max_shift=_MOST_LAG_S, least_reference_sd=3.0)
        lag_s = found.refined.mean
    truth = {
        "hr_lag_s": lag_s,
        "hr_mean_delay_s": dead_s + constant_s,
        "hr_dead_time_s": dead_s,
        "hr_time_constant_s": constant_s,
    }
    return reference, late, truth


def measure_delay_cells(
    family: Family, n_seconds: int, n_runs: int, *, seed: int = _SEED
) -> list[Cell]:
    """Return the cells of one family and length."""
    generator = np.random.default_rng([seed, n_seconds])
    errors, held, widths = ({name: [] for name in METRICS_OF_DELAY} for _ in range(3))
    for run in range(n_runs):
        reference, late, truth = draw_workout(n_seconds, run, generator)
        test = np.round(late + family.draw(n_seconds, generator))
        case = make_case(test, np.round(reference))
        for name in METRICS_OF_DELAY:
            found = METRICS[name].compute(case)
            if found.value is not None:
                errors[name].append(found.value - truth[name])
            if found.value is not None and found.ci_low is not None:
                held[name].append(found.ci_low <= truth[name] <= found.ci_high)
                widths[name].append(found.ci_high - found.ci_low)
    return [
        Cell.count(name, family.name, n_seconds, n_runs, held[name], widths[name], errors[name])
        for name in METRICS_OF_DELAY
    ]


def main() -> int:
    """Measure, print and judge."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=RUNS // 2)
    parser.add_argument("--seconds", type=int, nargs="+", default=SECONDS)
    parser.add_argument("--record", action="store_true", help="keep it for the reference")
    chosen = parser.parse_args()
    load_metrics()
    cells = []
    for n_seconds in chosen.seconds:
        for family in FAMILIES:
            cells += measure_delay_cells(family, n_seconds, chosen.runs)
            sys.stderr.write(f"{n_seconds} s, {family.name}\n")
    sys.stdout.write(write_table(cells, METRICS_OF_DELAY) + "\n")
    if chosen.record:
        record("delays", cells, command="python -m tests.benchmarks.coverage_delays", seed=_SEED)
    return judge(cells)


if __name__ == "__main__":
    sys.exit(main())
