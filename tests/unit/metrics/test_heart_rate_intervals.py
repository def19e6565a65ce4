"""Intervals of the lag hold the truth as often as they say.

Errors are first-order autoregressive with rho 0.97 about a reference that differs from run to run,
half of them intervals of a few minutes, half slow drift.
"""

import numpy as np
import pytest
from scipy.signal import lfilter

from tasks.core.discovery import load_metrics
from tasks.core.registers import METRICS
from tasks.workout.case import Case, make_example
from tests.tiers import choose, widen_pct

load_metrics()
HEART_RATE = "heart_rate_bpm"
HOUR_S, TWO_HOURS_S = 3600, 7200
RHO, BIAS_BPM = 0.97, 1.0


def simulate_errors(n: int, sd: float, generator: np.random.Generator, rho: float = RHO) -> object:
    shocks = generator.standard_normal(n) * sd * np.sqrt(1 - rho**2)
    shocks[0] /= np.sqrt(1 - rho**2)  # start in the stationary distribution
    return lfilter([1.0], [1.0, -rho], shocks)


def simulate_reference(n: int, generator: np.random.Generator, *, slow: bool) -> np.ndarray:
    seconds = np.arange(n)
    if slow:
        wave = 8 * np.sin(2 * np.pi * (seconds / 1500 + generator.random()))
        return 140 + wave + simulate_errors(n, 6.0, generator, rho=0.995)
    turns = seconds / generator.uniform(240, 480) + generator.random()
    demand = 18 * np.sign(np.sin(2 * np.pi * turns))
    drift = 5 * np.sin(2 * np.pi * (seconds / 1800 + generator.random()))
    return 145 + lfilter([1 / 25], [1, -24 / 25], demand) + drift


def make_case(test: np.ndarray, reference: np.ndarray) -> Case:
    return make_example(test={HEART_RATE: test}, reference={HEART_RATE: reference})


def holds(name: str, case: Case, truth: float) -> bool:
    found = METRICS[name].compute(case)
    assert found.ci_low is not None, name
    assert found.ci_high is not None, name
    assert found.ci_low <= found.value <= found.ci_high, name
    return bool(found.ci_low <= truth <= found.ci_high)


def measure_lag_coverage_pct(n: int, n_runs: int, seed: int) -> float:
    """Return how often the interval of the lag held the truth; all in whole beats, errors of SD 3.

    Where the reference hardly moves, errors of this size leave no lag to see; at most one run in
    fifty may say so.
    """
    generator = np.random.default_rng(seed)
    held, given = 0, 0
    for run in range(n_runs):
        earlier = simulate_reference(n + 20, generator, slow=run % 2 == 1)
        lag_s = generator.uniform(0, 12)
        seconds = np.arange(20, n + 20)
        late = np.interp(seconds - lag_s, np.arange(n + 20), earlier)
        test = late + BIAS_BPM + 3.0 * simulate_errors(n, 1.0, generator)
        case = make_case(np.round(test), np.round(earlier[20:]))
        if METRICS["hr_lag_s"].compute(case).ci_low is None:
            continue
        given += 1
        held += holds("hr_lag_s", case, lag_s)
    assert given >= 0.98 * n_runs
    return 100 * held / given


@pytest.mark.parametrize(
    ("n", "n_runs"),
    [(HOUR_S, choose(short=30, full=200)), (TWO_HOURS_S, choose(short=16, full=80))],
    ids=["an hour", "two hours"],
)
def test_the_interval_of_the_lag_holds_a_truth_between_whole_seconds(n: int, n_runs: int) -> None:
    """The table of all errors stands in the reference; 200 and 80 runs may miss by 4 points."""
    low = choose(short=94 - widen_pct(94, n_runs), full=91.0)
    high = choose(short=100.0, full=99.0)
    assert low <= measure_lag_coverage_pct(n, n_runs, seed=20260606) <= high
