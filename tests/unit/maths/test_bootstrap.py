"""Intervals for autocorrelated series: exactness on small cases, honesty on simulated ones."""

import numpy as np
import pytest
from scipy import stats
from scipy.signal import lfilter

from tasks.maths.autocorrelation import choose_block_length, compute_lag_one_autocorrelation
from tasks.maths.bootstrap import (
    bootstrap_interval,
    compute_block_correlation,
    compute_block_mean_interval,
    compute_expanded_interval,
    compute_moving_block_error,
    compute_moving_block_interval,
    count_filled_blocks,
    resample_means,
    sum_blocks,
)

RHO = 0.97
SPREAD_BPM = 4.0


def _simulate_errors(n: int, bias: float, generator: np.random.Generator) -> np.ndarray:
    noise = generator.standard_normal(n) * SPREAD_BPM * np.sqrt(1 - RHO**2)
    noise[0] /= np.sqrt(1 - RHO**2)  # start in the stationary distribution
    return lfilter([1.0], [1.0, -RHO], noise) + bias


def test_block_sums_equal_sums_by_hand_and_skip_gaps() -> None:
    blocks = sum_blocks(np.array([1.0, 2.0, np.nan, 4.0, 5.0]), length=2)
    assert blocks.sums[:, 0].tolist() == [3.0, 2.0, 4.0, 9.0]
    assert blocks.counts.tolist() == [2.0, 1.0, 1.0, 2.0]
    assert blocks.n_blocks == 2
    assert blocks.total_count == 4


def test_a_block_without_samples_is_refused() -> None:
    with pytest.raises(ValueError, match="found 0"):
        sum_blocks(np.ones(3), length=0)


def test_block_mean_interval_equals_the_t_interval_of_the_block_means() -> None:
    values = np.random.default_rng(1).normal(0, 3, 1200)
    means = values.reshape(8, 150).mean(axis=1)
    low, high = stats.t.interval(0.95, 7, means.mean(), stats.sem(means))
    found = compute_block_mean_interval(values, length=150)
    assert (found.low, found.high) == (pytest.approx(low), pytest.approx(high))


def test_blocks_of_one_give_the_plain_t_interval() -> None:
    values = np.random.default_rng(2).normal(0, 3, 500)
    low, high = stats.t.interval(0.95, 499, values.mean(), stats.sem(values))
    found = compute_moving_block_interval(values, length=1)
    assert (found.low, found.high) == (pytest.approx(low), pytest.approx(high))


def test_seconds_in_few_places_are_worth_few_blocks() -> None:
    whole = np.zeros(3600)
    assert count_filled_blocks(sum_blocks(whole, length=300)) == 12
    # Three stretches, each far from the others and the ends: blocks that meet none hold nothing.
    three = np.full(3600, np.nan)
    for start in (300, 1650, 3000):
        three[start : start + 60] = 1.0
    assert count_filled_blocks(sum_blocks(three, length=300)) == 3
    found = compute_moving_block_error(three, length=300)
    assert found.mean == 1.0
    assert np.isnan(found.standard_error)
    assert count_filled_blocks(sum_blocks(np.full(3600, np.nan), length=300)) == 0
    # Every tenth second fills all blocks alike.
    thin = np.full(3600, np.nan)
    thin[::10] = 1.0
    assert count_filled_blocks(sum_blocks(thin, length=300)) == 12


def test_block_correlation_of_blocks_of_one_is_the_plain_one() -> None:
    generator = np.random.default_rng(9)
    first = generator.normal(size=400)
    second = first + generator.normal(size=400)
    found = compute_block_correlation(first, second, length=1)
    assert found == pytest.approx(stats.pearsonr(first, second).statistic)
    assert compute_block_correlation(first, np.ones(400), length=1) == 0
    assert compute_block_correlation(first, second, length=200) == 0


def test_too_short_a_series_has_no_interval() -> None:
    values = np.random.default_rng(3).normal(size=500)
    assert np.isnan(compute_block_mean_interval(values, length=150).low)
    assert np.isnan(compute_moving_block_interval(values, length=150).low)
    assert np.isnan(bootstrap_interval(values, length=150, generator=np.random.default_rng(0)).low)
    assert np.isnan(compute_moving_block_interval(np.full(900, np.nan), length=150).low)
    assert np.isnan(compute_expanded_interval(np.empty(0), n_blocks=10).low)


def test_one_generator_state_gives_one_interval() -> None:
    values = _simulate_errors(1800, 1.0, np.random.default_rng(4))
    first, second = (
        bootstrap_interval(values, length=150, generator=np.random.default_rng(7)) for _ in "ab"
    )
    assert first == second


def test_bootstrap_spread_equals_scipy_on_independent_samples() -> None:
    # With blocks of one, the moving-block bootstrap is the ordinary one.
    values = np.random.default_rng(5).normal(0, 3, 300)
    means = resample_means(
        sum_blocks(values, length=1), n_resamples=4000, generator=np.random.default_rng(1)
    )
    reference = stats.bootstrap(
        (values,), np.mean, n_resamples=4000, method="percentile", rng=np.random.default_rng(2)
    )
    assert float(means.std()) == pytest.approx(reference.standard_error, rel=0.05)


def test_interval_of_the_root_mean_square_holds_its_estimate() -> None:
    values = _simulate_errors(1800, 1.0, np.random.default_rng(6))
    found = bootstrap_interval(
        np.square(values),
        length=150,
        generator=np.random.default_rng(1),
        statistic=lambda means: np.sqrt(means[:, 0]),
    )
    assert found.holds(float(np.sqrt(np.mean(np.square(values)))))


def test_log_interval_is_never_negative() -> None:
    values = np.zeros(1800)
    values[100:160] = 30.0
    found = compute_moving_block_interval(values, length=150, scale="log")
    assert 0 < found.low < 1.0 < found.high
    still = compute_moving_block_interval(np.zeros(1800), length=150, scale="log")
    assert (still.low, still.high) == (0.0, 0.0)


def test_nominal_95_percent_holds_the_truth_in_92_to_97_percent_of_1000_autocorrelated_runs() -> (
    None
):
    # First-order autoregressive errors, rho 0.97, one hour; the naive interval is below as a foil.
    # Truth: bias 1; mean absolute and mean square of a normal distribution N(1, 4) by formula.
    generator = np.random.default_rng(20260502)
    bias = 1.0
    mean_absolute = SPREAD_BPM * np.sqrt(2 / np.pi) * np.exp(-(bias**2) / 2 / SPREAD_BPM**2)
    mean_absolute += bias * (1 - 2 * stats.norm.cdf(-bias / SPREAD_BPM))
    mean_square = SPREAD_BPM**2 + bias**2
    held = {"bias": 0, "absolute": 0, "square": 0, "blocks": 0, "naive": 0}
    for _ in range(1000):
        errors = _simulate_errors(3600, bias, generator)
        for name, values, truth, scale in (
            ("bias", errors, bias, "plain"),
            ("absolute", np.abs(errors), mean_absolute, "log"),
            ("square", np.square(errors), mean_square, "log"),
        ):
            lag_one = compute_lag_one_autocorrelation(values)
            length = choose_block_length(values.size, lag_one)
            found = compute_moving_block_interval(
                values, length=length, lag_one=lag_one, scale=scale
            )
            held[name] += found.holds(truth)
        held["blocks"] += compute_block_mean_interval(errors, length=300).holds(bias)
        half = 1.96 * errors.std(ddof=1) / 60
        held["naive"] += abs(errors.mean() - bias) <= half
    shares = {name: count / 10 for name, count in held.items()}
    assert 92 <= shares["bias"] <= 97, shares
    assert 92 <= shares["absolute"] <= 97, shares
    assert 92 <= shares["square"] <= 97, shares
    assert 92 <= shares["blocks"] <= 97, shares
    assert shares["naive"] < 30, shares


def test_moving_block_bootstrap_holds_the_truth_too() -> None:
    # 200 runs only (each resamples 400 times): standard error of the share 1.8 points.
    generator = np.random.default_rng(11)
    held = 0
    for _ in range(200):
        errors = _simulate_errors(3600, 1.0, generator)
        held += bootstrap_interval(errors, length=300, generator=generator, n_resamples=400).holds(
            1.0
        )
    assert 88 <= held / 2 <= 98
