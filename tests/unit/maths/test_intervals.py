"""Exact intervals against statsmodels and scipy."""

import numpy as np
import pytest
from scipy.stats import quantile_test
from statsmodels.stats.proportion import proportion_confint

from tasks.maths.intervals import compute_median_interval, compute_share_interval


@pytest.mark.parametrize(("count", "n"), [(0, 7), (3, 7), (7, 7), (1, 40)])
def test_interval_of_a_share_equals_statsmodels(count: int, n: int) -> None:
    low, high = proportion_confint(count, n, method="beta")
    found = compute_share_interval(count, n)
    assert (found.low, found.high) == (pytest.approx(low), pytest.approx(high))


def test_interval_of_a_share_moves_smoothly_between_whole_numbers() -> None:
    lows = [compute_share_interval(0.9 * n, n).low for n in (10, 10.5, 11)]
    assert lows[0] < lows[1] < lows[2]
    assert np.isnan(compute_share_interval(0, 0).low)


@pytest.mark.parametrize("n", [6, 11, 40])
def test_interval_of_a_median_equals_scipy(n: int) -> None:
    values = np.random.default_rng(n).normal(8, 2, n)
    expected = quantile_test(values, p=0.5).confidence_interval(0.95)
    found = compute_median_interval(values)
    assert (found.low, found.high) == (pytest.approx(expected.low), pytest.approx(expected.high))


def test_five_values_are_too_few_for_an_interval_of_their_median() -> None:
    assert np.isnan(compute_median_interval(np.arange(5.0)).low)
    assert np.isnan(compute_median_interval(np.empty(0)).low)
