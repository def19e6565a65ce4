"""Resemblance of neighbouring workouts, and how many more would settle a question."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.tsa.stattools import acf

from tasks.maths.neighbours import NO_RESEMBLANCE, assess_neighbours, compute_inflation
from tasks.maths.workouts_needed import find_needed
from tests.tiers import choose

ONE_PLACE = np.zeros(8, dtype=np.int64)


def test_the_correlation_is_that_of_a_reference_library_beyond_random_orders() -> None:
    values = np.array([1.0, 2.0, 2.5, 3.5, 3.0, 4.5, 5.0, 4.0])
    lag_one = float(acf(values, nlags=1)[1])
    found = assess_neighbours(values[:, np.newaxis], ONE_PLACE)
    # Over all orders of n values the mean of the lag-one correlation is -1/n.
    assert found.lag_one == pytest.approx((lag_one + 1 / 8) / (1 - 4 / 8), abs=0.03)


def test_inflation_is_that_of_the_mean_of_correlated_values() -> None:
    # The standard deviation of a mean of 8 values whose covariances are r^|i-j|.
    for r in (0.0, 0.3, 0.8):
        covariance = r ** np.abs(np.subtract.outer(np.arange(8), np.arange(8)))
        expected = np.sqrt(covariance.sum() / 8)
        assert compute_inflation(r, 8) == pytest.approx(expected)
    assert compute_inflation(-0.5, 8) == 1.0


def test_workouts_that_alternate_are_no_neighbours() -> None:
    values = np.array([1.0, 5.0] * 4)[:, np.newaxis]
    found = assess_neighbours(values, ONE_PLACE)
    assert found.lag_one < 0
    assert found.p_value > 0.5


def test_a_trend_resembles_itself_and_a_change_of_place_does_not() -> None:
    trend = np.arange(8.0)[:, np.newaxis]
    assert assess_neighbours(trend, ONE_PLACE).p_value < 0.01
    places = np.array([0, 0, 0, 0, 1, 1, 1, 1])
    noise = np.array([0.3, -0.2, 0.25, -0.3, 0.2, -0.25, 0.3, -0.2])
    stepped = (10.0 * places + noise)[:, np.newaxis]
    assert assess_neighbours(stepped, ONE_PLACE).p_value < 0.05
    apart = assess_neighbours(stepped, places)
    assert apart.p_value > 0.5
    assert abs(apart.lag_one) < 0.05


def test_workouts_without_a_value_are_skipped() -> None:
    trend = np.array([0.0, np.nan, 1.0, 2.0, np.nan, 3.0, 4.0, 5.0])[:, np.newaxis]
    assert assess_neighbours(trend, ONE_PLACE).p_value < 0.05
    few = np.full((8, 1), np.nan)
    few[:3] = 1.0
    assert assess_neighbours(few, ONE_PLACE) == NO_RESEMBLANCE


def test_independent_workouts_are_seldom_taken_for_neighbours() -> None:
    generator = np.random.default_rng(1)
    n_families = choose(short=150, full=1000)
    places = np.array([0] * 7 + [1] * 3)
    found = [
        assess_neighbours(generator.normal(size=(10, 6)) + 3.0 * places[:, np.newaxis], places)
        for _ in range(n_families)
    ]
    share = np.mean(np.array([one.p_value for one in found]) < 0.05)
    assert share == pytest.approx(0.05, abs=3 * np.sqrt(0.05 * 0.95 / n_families))


# --- workouts needed --------------------------------------------------------------------------
def test_what_cannot_be_reached_has_no_number() -> None:
    even = np.array([1.0, -1.0] * 4)
    found = find_needed(even, alpha=0.01, n_questions=7, margins=None, horizon=30)
    assert found.high is None
    assert find_needed(
        np.array([1.0, 1.2]), alpha=0.05, n_questions=1, margins=None, horizon=30
    ) == find_needed(np.ones(5), alpha=0.05, n_questions=1, margins=None, horizon=30)


def test_no_number_is_below_what_sign_flips_can_show() -> None:
    clear = np.array([5.0, 5.1, 4.9, 5.2])
    # 2^(1 - 8) is the first below 0.01, 2^(1 - 6) the first below 0.05.
    for alpha, least in ((0.01, 8), (0.05, 6)):
        found = find_needed(clear, alpha=alpha, n_questions=1, margins=None, horizon=30)
        assert (found.low, found.high) == (least, least)


def test_a_wide_margin_shows_equivalence_sooner_than_a_difference() -> None:
    even = np.array([0.2, -0.3, 0.1, -0.2, 0.25, -0.1])
    wide = find_needed(even, alpha=0.05, n_questions=1, margins=(-1.0, 1.0), horizon=30)
    assert wide.high is not None
    assert find_needed(even, alpha=0.05, n_questions=1, margins=None, horizon=30).high is None


def test_the_number_named_settles_it_about_as_often_as_it_says() -> None:
    # Pilots of 8 whose true difference is drawn anew each time; those that name a number go on to
    # it, and are asked the same question then. Said: 80 %.
    generator = np.random.default_rng(2)
    settled = []
    for _ in range(choose(short=200, full=2000)):
        truth = generator.normal()
        pilot = generator.normal(truth, 1.0, 8)
        found = find_needed(pilot, alpha=0.05, n_questions=7, margins=None, horizon=60)
        if found.high is None:
            continue
        every = np.concatenate([pilot, generator.normal(truth, 1.0, found.high - 8)])
        error = np.std(every, ddof=1) / np.sqrt(every.size)
        p_value = 2 * stats.t.sf(abs(every.mean()) / error, every.size - 1)
        settled.append(p_value < 0.05 / 2.1)
    assert len(settled) > 60
    assert 0.7 <= np.mean(settled) <= 0.95
