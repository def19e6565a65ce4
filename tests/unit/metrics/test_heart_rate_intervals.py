"""Intervals of agreement, lag and own error hold the truth as often as they say.

Errors are first-order autoregressive with rho 0.97 about a reference that differs from run to run,
half of them intervals of a few minutes, half slow drift. The truth is that of normal errors over
the reference as it was, by formula or by scipy. 1,000 runs have a standard error of 0.7 points.
Over 6,000 runs of half an hour the intervals held between 93.6 % (correlation) and 96.3 % (bias).
"""

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.signal import lfilter
from scipy.stats import norm

from tasks.core.discovery import load_metrics
from tasks.core.registers import METRICS
from tasks.workout.case import Case, Segment, make_example
from tests.tiers import choose, widen_pct

load_metrics()
HEART_RATE = "heart_rate_bpm"
HALF_HOUR_S, TWO_HOURS_S = 1800, 7200
RHO, BIAS_BPM, SD_BPM = 0.97, 1.0, 4.0
#: Errors so large that 10 % of the reference is no rare limit.
WIDE_SD_BPM = 9.0
FIGURES = (
    "hr_bias_bpm",
    "hr_sd_bpm",
    "hr_mae_bpm",
    "hr_mape_pct",
    "hr_rmse_bpm",
    "hr_p95_abs_bpm",
    "hr_within_5_bpm_pct",
    "hr_loa_low_bpm",
    "hr_loa_high_bpm",
    "hr_ccc",
    "hr_pearson_r",
)
WIDE_FIGURES = ("hr_within_10_pct_pct", "hr_within_5_bpm_or_10_pct_pct")


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


def give_truths(reference: np.ndarray, mu: float, sd: float) -> dict[str, float]:
    """Return the figures of errors N(mu, sd) at each second of a reference."""
    mean_size = sd * np.sqrt(2 / np.pi) * np.exp(-(mu**2) / 2 / sd**2)
    mean_size += mu * (1 - 2 * norm.cdf(-mu / sd))

    def share_within(limit: np.ndarray | float) -> np.ndarray:
        return norm.cdf((limit - mu) / sd) - norm.cdf((-limit - mu) / sd)

    variance = reference.var()
    return {
        "hr_bias_bpm": mu,
        "hr_sd_bpm": sd,
        "hr_mae_bpm": mean_size,
        "hr_mape_pct": 100 * mean_size * np.mean(1 / reference),
        "hr_rmse_bpm": np.hypot(mu, sd),
        "hr_p95_abs_bpm": brentq(lambda limit: share_within(limit) - 0.95, 0, 80),
        "hr_within_5_bpm_pct": 100 * share_within(5.0),
        "hr_within_10_pct_pct": 100 * np.mean(share_within(reference / 10)),
        "hr_within_5_bpm_or_10_pct_pct": 100 * np.mean(share_within(reference / 10)),
        "hr_loa_low_bpm": mu - 1.96 * sd,
        "hr_loa_high_bpm": mu + 1.96 * sd,
        "hr_ccc": 2 * variance / (2 * variance + sd**2 + mu**2),
        "hr_pearson_r": np.sqrt(variance / (variance + sd**2)),
    }


def make_case(test: np.ndarray, reference: np.ndarray) -> Case:
    return make_example(test={HEART_RATE: test}, reference={HEART_RATE: reference})


def simulate_runs(n: int, n_runs: int, seed: int) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Return reference and errors of bias 0 and SD 1 of each run."""
    generator = np.random.default_rng(seed)
    for run in range(n_runs):
        reference = simulate_reference(n, generator, slow=run % 2 == 1)
        yield reference, simulate_errors(n, 1.0, generator)


def holds(name: str, case: Case, truth: float) -> bool:
    found = METRICS[name].compute(case)
    assert found.ci_low is not None, name
    assert found.ci_high is not None, name
    assert found.ci_low <= found.value <= found.ci_high, name
    return bool(found.ci_low <= truth <= found.ci_high)


def measure_coverage_pct(
    n: int, n_runs: int, seed: int, show: Callable[[np.ndarray], np.ndarray] = np.asarray
) -> dict[str, float]:
    """Return how often each interval held the truth; `show` is what the devices do to a value."""
    held = dict.fromkeys((*FIGURES, *WIDE_FIGURES), 0)
    for reference, errors in simulate_runs(n, n_runs, seed):
        for names, sd in ((FIGURES, SD_BPM), (WIDE_FIGURES, WIDE_SD_BPM)):
            case = make_case(show(reference + BIAS_BPM + sd * errors), show(reference))
            truths = give_truths(reference, BIAS_BPM, sd)
            for name in names:
                held[name] += holds(name, case, truths[name])
    return {name: 100 * count / n_runs for name, count in held.items()}


def test_intervals_hold_the_truth_in_92_to_97_percent_of_half_hours() -> None:
    n_runs = choose(short=60, full=1000)
    coverage_pct = measure_coverage_pct(HALF_HOUR_S, n_runs, seed=1)
    # The bounds are those of 1,000 runs; fewer runs leave more to chance.
    room = choose(short=widen_pct(94.5, n_runs), full=0.0)
    low, high = 92 - room, 97 + room
    assert all(low <= share <= high for share in coverage_pct.values()), coverage_pct


def test_intervals_hold_the_truth_over_two_hours() -> None:
    # 200 runs: 1.5 points of error, so a point and a half more is allowed to either side.
    n_runs = choose(short=20, full=200)
    coverage_pct = measure_coverage_pct(TWO_HOURS_S, n_runs, seed=20260602)
    low = choose(short=92 - widen_pct(92, n_runs), full=90.5)
    high = choose(short=100.0, full=98.5)
    assert all(low <= share <= high for share in coverage_pct.values()), coverage_pct


def test_whole_numbers_do_not_make_intervals_too_narrow() -> None:
    """Rounding is noise without memory: the plain autocorrelation takes it for a short memory.

    Errors of SD 2; each rounded side adds a variance of 1/12 (Sheppard). 300 runs in full.
    """
    n_runs = choose(short=60, full=300)
    variance = 4.0 + 2 / 12
    truths = {
        "hr_bias_bpm": BIAS_BPM,
        "hr_sd_bpm": np.sqrt(variance),
        "hr_rmse_bpm": np.sqrt(variance + BIAS_BPM**2),
        "hr_loa_low_bpm": BIAS_BPM - 1.96 * np.sqrt(variance),
        "hr_loa_high_bpm": BIAS_BPM + 1.96 * np.sqrt(variance),
    }
    held = dict.fromkeys(truths, 0)
    for reference, errors in simulate_runs(HALF_HOUR_S, n_runs, seed=20260603):
        case = make_case(np.round(reference + BIAS_BPM + 2.0 * errors), np.round(reference))
        for name, truth in truths.items():
            held[name] += holds(name, case, truth)
    coverage_pct = {name: 100 * count / n_runs for name, count in held.items()}
    low = choose(short=92 - widen_pct(92, n_runs), full=91.0)
    high = choose(short=100.0, full=98.0)
    assert all(low <= share <= high for share in coverage_pct.values()), coverage_pct


def test_a_rare_side_of_a_share_gets_an_interval_that_is_rather_too_wide() -> None:
    """Within 10 % at an SD of 4: one second in 3,000 is not; no share of runs can be 95 % then."""
    held, n_runs = 0, choose(short=60, full=200)
    for reference, errors in simulate_runs(HALF_HOUR_S, n_runs, seed=20260604):
        case = make_case(reference + BIAS_BPM + SD_BPM * errors, reference)
        truths = give_truths(reference, BIAS_BPM, SD_BPM)
        held += holds("hr_within_10_pct_pct", case, truths["hr_within_10_pct_pct"])
    assert held >= 0.95 * n_runs


def mark_six_stretches(reference: np.ndarray) -> np.ndarray:
    return np.arange(reference.size) % (reference.size // 6) < 300


def mark_rising(reference: np.ndarray) -> np.ndarray:
    return np.gradient(reference) > 0.2


@pytest.mark.parametrize(("mark", "least_pct"), [(mark_six_stretches, 91), (mark_rising, 88)])
def test_intervals_of_parts_hold_the_truth(
    mark: Callable[[np.ndarray], np.ndarray], least_pct: float
) -> None:
    """Six times five minutes of two hours, and the seventh of it in which heart rate rises.

    In seconds as scattered as the second, the interval of the SD holds the truth in 92 % of longer
    simulations, not 95 %. 200 runs in full.
    """
    held = dict.fromkeys(("hr_bias_bpm", "hr_mae_bpm", "hr_sd_bpm"), 0)
    generator = np.random.default_rng(20260605)
    n_runs = choose(short=30, full=200)
    for _ in range(n_runs):
        reference = simulate_reference(TWO_HOURS_S, generator, slow=False)
        errors = SD_BPM * simulate_errors(TWO_HOURS_S, 1.0, generator)
        part = Segment("part", mark(reference))
        case = make_case(reference + BIAS_BPM + errors, reference).for_segment(part)
        truths = give_truths(reference[part.mask], BIAS_BPM, SD_BPM)
        for name in held:
            held[name] += holds(name, case, truths[name])
    coverage_pct = {name: 100 * count / n_runs for name, count in held.items()}
    low = choose(short=least_pct - widen_pct(least_pct, n_runs), full=least_pct)
    high = choose(short=100.0, full=98.5)
    assert all(low <= share <= high for share in coverage_pct.values()), coverage_pct


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
    [(HALF_HOUR_S, choose(short=40, full=200)), (TWO_HOURS_S, choose(short=16, full=80))],
    ids=["half hour", "two hours"],
)
def test_the_interval_of_the_lag_holds_a_truth_between_whole_seconds(n: int, n_runs: int) -> None:
    """1,000 runs gave 95 % in half an hour, 94 % in two; 200 and 80 may miss by 4 points."""
    low = choose(short=94 - widen_pct(94, n_runs), full=91.0)
    high = choose(short=100.0, full=99.0)
    assert low <= measure_lag_coverage_pct(n, n_runs, seed=20260606) <= high


def measure_own_error_coverage_pct(
    n: int, n_runs: int, seed: int, sds_bpm: tuple[float, ...]
) -> list[float]:
    """Give, for each device, how often the interval of its own error held the truth."""
    generator = np.random.default_rng(seed)
    held = np.zeros(len(sds_bpm))
    given = np.zeros(len(sds_bpm))
    for _ in range(n_runs):
        reference = simulate_reference(n, generator, slow=False)
        worn = [{HEART_RATE: reference + simulate_errors(n, sd, generator)} for sd in sds_bpm]
        case = make_example(test=worn[0], reference=worn[1], others=tuple(worn[2:]))
        for device, subject in enumerate(case.workout.subjects):
            own = replace(case, test=subject, memo={})
            if METRICS["hr_own_error_sd_bpm"].compute(own).value is not None:
                given[device] += 1
                held[device] += holds("hr_own_error_sd_bpm", own, sds_bpm[device])
    assert (given >= 0.95 * n_runs).all(), given
    return list(100 * held / given)


@pytest.mark.parametrize(("n", "n_runs"), [(HALF_HOUR_S, 200), (TWO_HOURS_S, 80)])
def test_the_interval_of_own_errors_holds_the_truth(n: int, n_runs: int) -> None:
    """1,000 runs gave 94 to 97 % in half an hour, 94 to 96 % in two.

    200 and 80 runs have standard errors of 1.5 and 2.4 points; three devices together smaller ones.
    """
    coverage_pct = measure_own_error_coverage_pct(n, n_runs, 20260607, (2.0, 3.0, 4.0))
    assert min(coverage_pct) >= 90, coverage_pct
    assert 92 <= np.mean(coverage_pct) <= 98, coverage_pct


@pytest.mark.parametrize("name", [*FIGURES, *WIDE_FIGURES])
def test_three_short_stretches_of_two_hours_are_too_few_for_an_interval(name: str) -> None:
    generator = np.random.default_rng(4)
    reference = simulate_reference(TWO_HOURS_S, generator, slow=True)
    errors = WIDE_SD_BPM * simulate_errors(TWO_HOURS_S, 1.0, generator)
    mask = np.zeros(TWO_HOURS_S, dtype=bool)
    for start in (300, 3300, 6600):
        mask[start : start + 120] = True
    case = make_case(reference + errors, reference).for_segment(Segment("hills", mask))
    found = METRICS[name].compute(case)
    assert found.value is not None
    assert found.ci_low is None
