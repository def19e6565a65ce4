"""Autocorrelation and effective numbers against NIST and statsmodels."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lfilter
from statsmodels.tsa.stattools import acf

from tasks.maths.autocorrelation import (
    choose_block_length,
    compute_effective_n,
    compute_effective_n_with_gaps,
    compute_lag_one_autocorrelation,
    correct_lag_one,
    estimate_persistence,
)
from tests.unit.maths.published_sets import MAVRO_DIGITS


def test_lag_one_autocorrelation_equals_the_certified_value() -> None:
    # NIST Statistical Reference Datasets, Mavro: 0.937989183438248.
    values = 2 + np.array(MAVRO_DIGITS) / 10_000
    assert compute_lag_one_autocorrelation(values) == pytest.approx(0.937989183438248, abs=1e-12)


def test_lag_one_autocorrelation_of_the_alternating_sets_equals_the_certified_value() -> None:
    # NIST NumAcc1 and NumAcc2 (from memory): -.5 and -.999.
    assert compute_lag_one_autocorrelation(
        np.array([10000001.0, 10000003.0, 10000002.0])
    ) == pytest.approx(-0.5, abs=1e-12)
    assert compute_lag_one_autocorrelation(np.array([1.2] + [1.1, 1.3] * 500)) == pytest.approx(
        -0.999, abs=1e-9
    )


@given(st.integers(0, 1000), st.floats(-0.9, 0.98))
def test_lag_one_autocorrelation_equals_statsmodels(seed: int, rho: float) -> None:
    noise = np.random.default_rng(seed).normal(size=80)
    values = np.zeros(80)
    for i in range(1, 80):
        values[i] = rho * values[i - 1] + noise[i]
    assert compute_lag_one_autocorrelation(values) == pytest.approx(acf(values, nlags=1)[1])


def test_gaps_do_not_pull_the_autocorrelation_down() -> None:
    # A slow wave with one second in four missing is as smooth as the whole wave: cos(2 pi / 200).
    values = np.sin(2 * np.pi * np.arange(4000) / 200)
    gappy = values.copy()
    gappy[::4] = np.nan
    assert compute_lag_one_autocorrelation(gappy) == pytest.approx(np.cos(np.pi / 100), abs=0.002)


def test_still_short_and_missing_series_have_no_autocorrelation() -> None:
    assert np.isnan(compute_lag_one_autocorrelation(np.full(10, 3.0)))
    assert np.isnan(compute_lag_one_autocorrelation(np.array([1.0, 2.0])))
    assert np.isnan(compute_lag_one_autocorrelation(np.full(10, np.nan)))


@pytest.mark.parametrize(
    ("n", "rho", "expected"),
    # n (1 - rho) / (1 + rho), by pencil.
    [(3600, 0.98, 36.4), (3600, 0.95, 92.3), (3600, 0.9, 189.5), (100, 0.5, 33.3)],
)
def test_effective_n_equals_the_pencil(n: int, rho: float, expected: float) -> None:
    assert compute_effective_n(n, rho) == pytest.approx(expected, abs=0.05)


def test_effective_n_stays_between_one_and_n() -> None:
    assert compute_effective_n(100, -0.8) == 100
    assert compute_effective_n(100, 1.0) == 1
    assert compute_effective_n(0, 0.5) == 0
    assert np.isnan(compute_effective_n(100, np.nan))


def test_blocks_are_at_least_two_and_a_half_minutes_and_grow_with_memory() -> None:
    assert choose_block_length(7200, 0.5) == 150
    assert choose_block_length(7200, 0.97) == 394  # 6 * 1.97 / 0.03, rounded up
    assert choose_block_length(7200, 0.9999) == 1200  # six blocks remain
    assert choose_block_length(300, 0.97) == 150


def _simulate(n: int, rho: float, generator: np.random.Generator) -> np.ndarray:
    shocks = generator.standard_normal(n) * np.sqrt(1 - rho**2)
    shocks[0] /= np.sqrt(1 - rho**2)
    return lfilter([1.0], [1.0, -rho], shocks)


def test_lag_one_is_freed_of_its_bias() -> None:
    assert correct_lag_one(0.97, 1800) == pytest.approx(0.97 + 4.88 / 1800)  # 1 + 4 * 0.97
    assert correct_lag_one(0.999, 100) < 1
    assert np.isnan(correct_lag_one(np.nan, 100))
    assert np.isnan(correct_lag_one(0.5, 0))
    generator = np.random.default_rng(1)
    found = [compute_lag_one_autocorrelation(_simulate(300, 0.9, generator)) for _ in range(2000)]
    # The mean of 2,000 has a standard error of 0.0006; the bias is -0.0153.
    assert np.mean(found) == pytest.approx(0.9 - 4.6 / 300, abs=0.003)
    assert np.mean([correct_lag_one(each, 300) for each in found]) == pytest.approx(0.9, abs=0.003)


def test_rounding_hides_persistence_from_the_autocorrelation_but_not_from_the_ratio() -> None:
    generator = np.random.default_rng(2)
    series = [np.round(1.5 * _simulate(3600, 0.97, generator)) for _ in range(200)]
    plain = np.mean([compute_lag_one_autocorrelation(each) for each in series])
    # Rounding adds a variance of 1/12 (Sheppard): 0.97 * 2.25 / (2.25 + 1/12) = 0.9354.
    assert plain == pytest.approx(0.9354, abs=0.004)
    persistence = np.mean([estimate_persistence(each) for each in series])
    assert persistence == pytest.approx(0.97, abs=0.002)


def test_persistence_of_noise_is_that_of_its_neighbours() -> None:
    values = np.array([-1.0, -1.0, 1.0, 1.0] * 2)
    # r_1 = 1/8 by pencil, too low for the ratio; freed of its bias 1/8 + 1.5/8.
    assert estimate_persistence(values) == pytest.approx(5 / 16)
    assert np.isnan(estimate_persistence(np.full(10, 3.0)))
    assert np.isnan(estimate_persistence(np.empty(0)))


def test_persistence_survives_gaps() -> None:
    generator = np.random.default_rng(3)
    found = []
    for _ in range(100):
        values = _simulate(7200, 0.97, generator)
        values[generator.random(7200) < 0.5] = np.nan
        found.append(estimate_persistence(values))
    assert np.mean(found) == pytest.approx(0.97, abs=0.005)
    assert np.std(found) < 0.01


def test_effective_n_with_gaps_equals_the_pencil() -> None:
    three = np.ones(3, dtype=bool)
    # 9 / (3 + 2 (2 * 0.5 + 0.25)); with the middle one missing 4 / (2 + 2 * 0.25).
    assert compute_effective_n_with_gaps(three, 0.5) == pytest.approx(9 / 5.5)
    assert compute_effective_n_with_gaps(np.array([True, False, True]), 0.5) == pytest.approx(1.6)
    assert compute_effective_n_with_gaps(np.zeros(3, dtype=bool), 0.5) == 0
    assert np.isnan(compute_effective_n_with_gaps(three, np.nan))
    long = np.ones(200_000, dtype=bool)
    assert compute_effective_n_with_gaps(long, 0.97) == pytest.approx(
        compute_effective_n(200_000, 0.97), rel=0.001
    )


def test_samples_far_apart_are_worth_more_than_neighbours() -> None:
    spread, dense = np.zeros(7200, dtype=bool), np.zeros(7200, dtype=bool)
    spread[::10], dense[:720] = True, True
    assert compute_effective_n_with_gaps(spread, 0.97) > 5 * compute_effective_n_with_gaps(
        dense, 0.97
    )
