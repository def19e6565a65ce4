"""How often intervals of delays hold the truth: `python -m tests.benchmarks.coverage_delays`.

A device that shows the reference late by up to 12 s, a pure shift, with errors of every kind in
`coverage_families`. Prints a table; `--runs` workouts of each kind and length.
"""

from __future__ import annotations

import argparse
import sys
from typing import Final

import numpy as np

from tasks.core.discovery import load_metrics
from tasks.core.registers import METRICS
from tasks.workout.case import make_example
from tests.benchmarks.coverage import HEART_RATE, RUNS, SECONDS, Cell, judge, write_table
from tests.benchmarks.coverage_families import FAMILIES, Family, draw_reference

_MOST_LATE_S: Final = 12
METRICS_OF_DELAY: Final = (
    "hr_lag_s",
    "hr_rise_delay_s",
    "hr_rise_delay_90_s",
    "hr_recovery_delay_s",
    "hr_mean_delay_s",
    "hr_dead_time_s",
)


def measure_delay_cells(
    family: Family, n_seconds: int, n_runs: int, *, seed: int = 2
) -> list[Cell]:
    """Return the cells of one family and length."""
    generator = np.random.default_rng([seed, n_seconds])
    errors, held, widths = ({name: [] for name in METRICS_OF_DELAY} for _ in range(3))
    for run in range(n_runs):
        late_s = generator.uniform(0, _MOST_LATE_S)
        earlier = draw_reference(n_seconds + _MOST_LATE_S, generator, slow=run % 2 == 1)
        seconds = np.arange(_MOST_LATE_S, n_seconds + _MOST_LATE_S)
        late = np.interp(seconds - late_s, np.arange(earlier.size), earlier)
        test = np.round(late + family.draw(n_seconds, generator))
        case = make_example(
            test={HEART_RATE: test}, reference={HEART_RATE: np.round(earlier[_MOST_LATE_S:])}
        )
        for name in METRICS_OF_DELAY:
            found = METRICS[name].compute(case)
            if found.value is not None:
                errors[name].append(found.value - late_s)
            if found.value is not None and found.ci_low is not None:
                held[name].append(found.ci_low <= late_s <= found.ci_high)
                widths[name].append(found.ci_high - found.ci_low)
    return [
        Cell.count(name, family.name, n_seconds, n_runs, held[name], widths[name], errors[name])
        for name in METRICS_OF_DELAY
    ]


def main() -> int:
    """Measure, print and judge."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=RUNS // 4)
    parser.add_argument("--seconds", type=int, nargs="+", default=SECONDS)
    chosen = parser.parse_args()
    load_metrics()
    cells = [
        cell
        for n_seconds in chosen.seconds
        for family in FAMILIES
        for cell in measure_delay_cells(family, n_seconds, chosen.runs)
    ]
    sys.stdout.write(write_table(cells, METRICS_OF_DELAY) + "\n")
    return judge(cells)


if __name__ == "__main__":
    sys.exit(main())
