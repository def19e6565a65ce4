"""Autocorrelation and effective numbers against NIST and statsmodels."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.tsa.stattools import acf

from tasks.maths.autocorrelation import (
    choose_block_length,
    compute_effective_n,
    compute_lag_one_autocorrelation,
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
    assert choose_block_length(7200, 0.97) == 263  # 4 * 1.97 / 0.03, rounded up
    assert choose_block_length(7200, 0.9999) == 1200  # six blocks remain
    assert choose_block_length(300, 0.97) == 150
