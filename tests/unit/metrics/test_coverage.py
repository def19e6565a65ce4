"""Intervals hold the truth as often as they say: a small part of `tests.benchmarks.coverage`.

The whole table, of every kind of error at three lengths, stands in the reference.
"""

import numpy as np
import pytest

from tests.benchmarks.coverage import list_metrics, measure_cells
from tests.benchmarks.coverage_families import (
    Family,
    find_truth,
    make_intervals,
    make_lock,
    make_normal,
    make_part,
    make_skewed,
    make_switching,
)

HOUR_S, TWO_HOURS_S, TWENTY_MIN_S = 3600, 7200, 1200
#: 60 workouts: 95 % have a standard error of 2.8 points.
RUNS, LEAST_PCT = 60, 86


@pytest.mark.parametrize(
    ("family", "n_seconds"),
    [
        (make_normal(0.97), TWO_HOURS_S),
        (make_skewed(0.9, 0.5, "skewed"), HOUR_S),
        (make_switching(60.0, 60.0), TWO_HOURS_S),
        (make_intervals(120), HOUR_S),
    ],
    ids=lambda one: one.name if isinstance(one, Family) else str(one),
)
def test_intervals_hold_the_truth_and_are_not_three_times_too_wide(
    family: Family, n_seconds: int
) -> None:
    cells = measure_cells(family, n_seconds, RUNS, metrics=("hr_bias_bpm", "hr_mae_bpm"))
    for cell in cells:
        assert cell.given_pct >= 80, cell
        assert cell.coverage_pct >= LEAST_PCT, cell
        assert cell.width < 2, cell


@pytest.mark.parametrize(
    "family", [make_part(0.5, "half", 15.0), make_part(1 / 6, "sixth", 15.0), make_lock(60)]
)
def test_a_workout_in_which_something_happened_once_has_no_interval(family: Family) -> None:
    for cell in measure_cells(family, HOUR_S, 10, metrics=list_metrics()):
        assert cell.n_given == 0, cell


def test_twenty_minutes_have_no_interval() -> None:
    for cell in measure_cells(make_normal(0.9), TWENTY_MIN_S, 5, metrics=list_metrics()):
        assert cell.n_given == 0, cell


def test_the_truth_of_normal_errors_is_that_of_the_formula() -> None:
    """Bias 1, SD 4: mean absolute value of a folded normal distribution; 400,000 draws."""
    truth = find_truth(make_normal(0.9)).find(np.array([100.0, 140.0]))
    assert truth["hr_bias_bpm"] == pytest.approx(1.0, abs=0.03)
    assert truth["hr_sd_bpm"] == pytest.approx(4.0, rel=0.01)
    folded = 4 * np.sqrt(2 / np.pi) * np.exp(-1 / 32) + (1 - 2 * 0.4012937)
    assert truth["hr_mae_bpm"] == pytest.approx(folded, rel=0.01)
