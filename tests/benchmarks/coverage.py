"""How often the intervals of one workout hold the truth: `python -m tests.benchmarks.coverage`.

Every kind of error in `coverage_families`, at 20 min, 1 h and 2 h, through the metrics themselves.
Prints a table; `--record` keeps it for `config/reference/intervals.md`. `--runs` workouts of each
kind and length (400), `--seconds 1200 3600` other lengths. Ends with 1 where an interval breaks its
promise:

- where at least a tenth of the workouts have one, it holds the truth in 93 to 98 % of them, and its
  median width is under three times that of the best possible one (that which an oracle would
  draw: 3.92 times the standard deviation of the value over the workouts);
- anywhere, no more than 5 % of all workouts show an interval that misses.

Chance (three standard errors) is allowed for.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
from collections.abc import Iterable, Iterator
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import Final

import numpy as np

from tasks.core.discovery import load_metrics
from tasks.core.registers import METRICS
from tasks.workout.case import Case, make_example
from tests.benchmarks.coverage_families import (
    FAMILIES,
    Family,
    Floats,
    draw_reference,
    find_truth,
)

#: What was measured last, for the reference.
RECORD: Final = Path(__file__).with_name("coverage_record.json")
HEART_RATE: Final = "heart_rate_bpm"
SECONDS: Final = (1200, 3600, 7200)
RUNS: Final = 400
LEAST_PCT, MOST_PCT, MOST_MISSES_PCT, MOST_WIDTH = 93.0, 98.0, 5.0, 3.0
_TENTH: Final = 0.1
_SEED: Final = 1
_CHANCE: Final = 3.0
_NORMAL_WIDTH: Final = 2 * 1.96


@dataclass(frozen=True)
class Cell:
    """One metric in workouts of one family and length.

    `n_given` of `n_runs` workouts have an interval, `n_held` of these hold the truth; `width` is
    the median width over that of the best possible one.
    """

    metric: str
    family: str
    n_seconds: int
    n_runs: int
    n_given: int
    n_held: int
    width: float | None

    @classmethod
    def count(
        cls,
        metric: str,
        family: str,
        n_seconds: int,
        n_runs: int,
        held: list[bool],
        widths: list[float],
        errors: list[float],
    ) -> Cell:
        """Return the cell of intervals that held or not, with widths; `errors` of all values."""
        width = None
        if widths:
            width = round(float(np.median(widths) / np.std(errors) / _NORMAL_WIDTH), 2)
        return cls(metric, family, n_seconds, n_runs, len(held), sum(held), width)

    @property
    def coverage_pct(self) -> float:
        """Share of intervals that hold the truth; NaN where there is none."""
        return 100 * self.n_held / self.n_given if self.n_given else float("nan")

    @property
    def given_pct(self) -> float:
        """Share of workouts that have an interval."""
        return 100 * self.n_given / self.n_runs

    def find_faults(self) -> Iterator[str]:
        """Yield the promises that are broken beyond chance."""
        missed = self.n_given - self.n_held
        if 100 * missed > self.n_runs * MOST_MISSES_PCT + 100 * self._allow(0.05, self.n_runs):
            yield f"{100 * missed / self.n_runs:.1f} % of all workouts have one that misses"
        if self.n_given < _TENTH * self.n_runs:
            return
        for limit, sign in ((LEAST_PCT, 1), (MOST_PCT, -1)):
            allowed = 100 * self._allow(limit / 100, self.n_given) / self.n_given
            if sign * (limit - self.coverage_pct) > allowed:
                yield f"{self.coverage_pct:.1f} % hold the truth"
        if self.width is not None and self.width > MOST_WIDTH:
            yield f"{self.width:.1f} times as wide as needed"

    def _allow(self, share: float, n: int) -> float:
        return _CHANCE * float(np.sqrt(n * share * (1 - share)))


def list_metrics() -> tuple[str, ...]:
    """Return the metrics of heart rate whose long-run interval can be checked with one truth."""
    load_metrics()
    known = find_truth(FAMILIES[0]).find(np.array([100.0, 120.0]))
    return tuple(name for name in known if METRICS[name].has_interval)


def measure_cells(
    family: Family, n_seconds: int, n_runs: int, *, metrics: Iterable[str], seed: int = _SEED
) -> list[Cell]:
    """Return the cells of one family and length."""
    truth = find_truth(family)
    names = tuple(metrics)
    generator = np.random.default_rng([seed, n_seconds])
    values, held, widths = ({name: [] for name in names} for _ in range(3))
    for run in range(n_runs):
        reference = draw_reference(n_seconds, generator, slow=run % 2 == 1)
        case = make_case(reference + family.draw(n_seconds, generator), reference)
        truths = truth.find(reference)
        for name in names:
            found = METRICS[name].compute(case)
            # What the heart rates of a workout do to its truth is no error of the interval.
            values[name].append(found.value - truths[name])
            if found.ci_low is not None:
                held[name].append(found.ci_low <= truths[name] <= found.ci_high)
                widths[name].append(found.ci_high - found.ci_low)
    return [
        Cell.count(name, family.name, n_seconds, n_runs, held[name], widths[name], values[name])
        for name in names
    ]


def make_case(test: Floats, reference: Floats) -> Case:
    """Return a workout of two devices."""
    return make_example(test={HEART_RATE: test}, reference={HEART_RATE: reference})


def write_table(cells: list[Cell], metrics: tuple[str, ...]) -> str:
    """Return a Markdown table: one row for each length and family, one column for each metric."""
    lines = [
        f"| min | errors | {' | '.join(f'`{name}`' for name in metrics)} |",
        "|---|---|" + "---|" * len(metrics),
    ]
    rows: dict[tuple[int, str], dict[str, Cell]] = {}
    for cell in cells:
        rows.setdefault((cell.n_seconds, cell.family), {})[cell.metric] = cell
    for (n_seconds, family), row in rows.items():
        shown = " | ".join(_write_cell(row[name]) for name in metrics)
        lines.append(f"| {n_seconds // 60} | {family} | {shown} |")
    return "\n".join(lines)


def record(part: str, cells: list[Cell], *, command: str, seed: int) -> None:
    """Keep the cells of one part in the file from which the reference is made."""
    kept = json.loads(RECORD.read_text(encoding="utf-8")) if RECORD.exists() else {}
    kept[part] = {
        "command": f"{command} --runs {max(cell.n_runs for cell in cells)} --record",
        "seed": seed,
        "versions": {cell.metric: METRICS[cell.metric].version for cell in cells},
        "cells": [astuple(cell) for cell in cells],
    }
    # One line for each cell.
    text = re.sub(r"\n {4,}|\n {3}(?=\])", "", json.dumps(kept, indent=1))
    RECORD.write_text(text.replace(',"', ', "') + "\n", encoding="utf-8")


def _write_cell(cell: Cell) -> str:
    if not cell.n_given:
        return "none"
    return f"{cell.coverage_pct:.1f} % of {cell.given_pct:.0f} % ({cell.width:.1f})"


def main() -> int:
    """Measure, print and judge."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=RUNS)
    parser.add_argument("--seconds", type=int, nargs="+", default=SECONDS)
    parser.add_argument("--families", nargs="+", default=None, help="words in their names")
    parser.add_argument("--record", action="store_true", help="keep it for the reference")
    chosen = parser.parse_args()
    metrics, cells = list_metrics(), []
    for n_seconds in chosen.seconds:
        for family in FAMILIES:
            if chosen.families and not any(word in family.name for word in chosen.families):
                continue
            cells += measure_cells(family, n_seconds, chosen.runs, metrics=metrics)
            sys.stderr.write(f"{n_seconds} s, {family.name}\n")
    sys.stdout.write(write_table(cells, metrics) + "\n")
    if chosen.record:
        record("agreement", cells, command="python -m tests.benchmarks.coverage", seed=_SEED)
    return judge(cells)


def judge(cells: list[Cell]) -> int:
    """Print the broken promises; 1 where there is one."""
    faults = [
        f"{cell.metric}, {cell.n_seconds // 60} min, {cell.family}: {fault}"
        for cell in cells
        for fault in cell.find_faults()
    ]
    sys.stdout.writelines(f"BROKEN: {fault}\n" for fault in faults)
    given = [cell for cell in cells if cell.n_given]
    held, n = (sum(counts) for counts in zip(*((c.n_held, c.n_given) for c in given), strict=True))
    sys.stdout.write(
        f"{len(cells)} cells of numbers, errors and lengths: {len(given)} with intervals, which "
        f"hold the truth in {100 * held / n:.1f} %; {len(faults)} promises broken\n"
    )
    return int(bool(faults))


if __name__ == "__main__":
    sys.exit(main())
