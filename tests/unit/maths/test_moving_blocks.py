"""Standard errors of series with memory: exact on small cases, right on simulated ones."""

import numpy as np
import pytest
from scipy import stats
from scipy.signal import lfilter

from tasks.maths.moving_blocks import (
    compute_moving_block_error,
    count_filled_blocks,
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


def test_blocks_of_one_give_the_plain_t_interval() -> None:
    values = np.random.default_rng(2).normal(0, 3, 500)
    low, high = stats.t.interval(0.95, 499, values.mean(), stats.sem(values))
    found = compute_moving_block_error(values, length=1)
    half = found.compute_half_width()
    assert (found.mean - half, found.mean + half) == (pytest.approx(low), pytest.approx(high))


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


def test_too_short_a_series_has_no_error() -> None:
    values = np.random.default_rng(3).normal(size=500)
    assert np.isnan(compute_moving_block_error(values, length=150).standard_error)
    assert np.isnan(compute_moving_block_error(np.full(900, np.nan), length=150).standard_error)


def test_standard_errors_of_a_series_with_memory_are_right_on_average() -> None:
    """Truth by formula: a first-order series of SD 4 and rho 0.97, an hour; 200 runs."""
    true = SPREAD_BPM * np.sqrt((1 + RHO) / (1 - RHO) / 3600)
    generator = np.random.default_rng(20260502)
    found = [
        compute_moving_block_error(
            _simulate_errors(3600, 1.0, generator), length=400, lag_one=RHO
        ).standard_error
        for _ in range(200)
    ]
    assert np.sqrt(np.mean(np.square(found))) == pytest.approx(true, rel=0.1)
