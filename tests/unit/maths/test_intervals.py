"""Intervals against statsmodels, scipy and the pencil."""

import numpy as np
import pytest
from scipy.stats import quantile_test
from statsmodels.stats.proportion import proportion_confint

from tasks.maths.arrays import NO_INTERVAL, Interval
from tasks.maths.intervals import (
    compute_median_interval,
    compute_share_interval,
    spread_interval,
)


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


def test_plain_and_logit_scales_equal_the_pencil() -> None:
    assert spread_interval(2.0, 0.5) == Interval(1.5, 2.5)
    # logit(0.8) = 1.38629, reach 0.1 / (0.8 * 0.2) = 0.625: 1 / (1 + exp(-0.76129)) and so on.
    logit = spread_interval(0.8, 0.1, scale="logit")
    assert (logit.low, logit.high) == (
        pytest.approx(0.68163, abs=1e-5),
        pytest.approx(0.88198, abs=1e-5),
    )


def test_values_at_the_edge_of_their_scale_have_no_interval() -> None:
    assert np.isnan(spread_interval(1.0, 0.1, scale="logit").low)
    assert np.isnan(spread_interval(0.0, 0.1, scale="logit").low)
    assert np.isnan(spread_interval(1.0, np.nan).low)
    assert spread_interval(0.5, 0.0, scale="logit") == Interval(0.5, 0.5)


def test_a_share_never_leaves_0_and_1_however_wide() -> None:
    wide = spread_interval(0.9, 50.0, scale="logit")
    assert 0 <= wide.low < 0.9 < wide.high <= 1


def test_an_interval_reaches_to_a_value_outside_and_stays_for_one_inside() -> None:
    assert Interval(1, 2).reach_to(0.5) == Interval(0.5, 2)
    assert Interval(1, 2).reach_to(3) == Interval(1, 3)
    assert Interval(1, 2).reach_to(1.5) == Interval(1, 2)
    assert np.isnan(NO_INTERVAL.reach_to(1.0).low)
