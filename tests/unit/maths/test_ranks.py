"""Centres and shifts, rank sums and Holm's adjustment against published examples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats
from statsmodels.stats.multitest import multipletests

from tasks.maths.multiplicity import adjust_after_holm
from tasks.maths.pair_sums import find_averages, find_differences
from tasks.maths.rank_sum import EXACT_UP_TO as EXACT_SUM
from tasks.maths.rank_sum import assess_rank_sum, estimate_shift
from tasks.maths.signed_rank import EXACT_UP_TO as EXACT_SIGNED
from tasks.maths.signed_rank import estimate_centre
from tests.tiers import choose

#: Hollander and Wolfe, depression scale before and after, as in the help of R's wilcox.test.
BEFORE = np.array([1.83, 0.50, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.30])
AFTER = np.array([0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 3.14, 1.29])
#: Hollander and Wolfe, permeability of membranes, as in the help of R's wilcox.test.
TERM = np.array([0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46])
EARLY = np.array([1.15, 0.88, 0.90, 0.74, 1.21])


def test_depression_has_its_published_centre_and_interval() -> None:
    centre = estimate_centre(BEFORE - AFTER)
    assert centre.estimate == pytest.approx(0.46, abs=5e-3)
    assert centre.interval.low == pytest.approx(0.010, abs=5e-4)
    assert centre.interval.high == pytest.approx(0.786, abs=5e-4)


def test_five_differences_have_no_95_percent_interval_and_six_have_one() -> None:
    assert np.isnan(estimate_centre(np.arange(5.0)).interval.low)
    assert estimate_centre(np.arange(6.0)).interval.low == 0.0


def test_the_interval_of_the_centre_holds_it_as_often_as_it_says() -> None:
    # Exact: 1 - 2 P(W <= 8) of ten is 95.1 % (tables of the signed-rank distribution).
    generator = np.random.default_rng(5)
    draws = generator.normal(1.0, 2.0, (2000, 10))
    held = [estimate_centre(one).interval.holds(1.0) for one in draws]
    assert np.mean(held) == pytest.approx(0.951, abs=0.015)


def test_permeability_has_its_published_p_shift_and_interval() -> None:
    # R's help gives W = 35; shift and interval as R prints them, from memory.
    found, shift = assess_rank_sum(TERM, EARLY), estimate_shift(TERM, EARLY)
    assert found.p_value == pytest.approx(0.2544, abs=5e-5)
    assert shift.estimate == pytest.approx(0.305, abs=5e-4)
    assert shift.interval.low == pytest.approx(-0.15, abs=5e-3)
    assert shift.interval.high == pytest.approx(0.76, abs=5e-3)


@given(
    arrays(np.int64, st.integers(2, 5), elements=st.integers(0, 5)),
    arrays(np.int64, st.integers(2, 5), elements=st.integers(0, 5)),
)
def test_rank_sums_with_ties_equal_scipys_enumeration(one: np.ndarray, other: np.ndarray) -> None:
    first, second = one.astype(np.float64), other.astype(np.float64)
    expected = stats.mannwhitneyu(
        first, second, method=stats.PermutationMethod(n_resamples=10_000), use_continuity=False
    )
    assert assess_rank_sum(first, second).p_value == pytest.approx(expected.pvalue, abs=1e-12)


def test_four_against_four_can_show_a_difference_and_three_cannot() -> None:
    # 2 / C(8, 4) and 2 / C(6, 3).
    four, three = np.arange(4.0), np.arange(3.0)
    assert assess_rank_sum(four, four + 10).p_value == pytest.approx(2 / 70)
    assert assess_rank_sum(three, three + 10).smallest_p == pytest.approx(2 / 20)
    assert np.isnan(estimate_shift(three, three + 10).interval.low)


def test_holm_equals_the_published_examples() -> None:
    # Wikipedia's example of the method, and that of pingouin's documentation with a gap.
    assert adjust_after_holm(np.array([0.01, 0.04, 0.03, 0.005])) == pytest.approx(
        [0.03, 0.06, 0.06, 0.02]
    )
    assert adjust_after_holm(np.array([0.5, 0.003, np.nan, 0.054, 0.0003])) == pytest.approx(
        [0.5, 0.009, np.nan, 0.108, 0.0012], nan_ok=True
    )


# Each call of statsmodels collects all garbage of the process, which takes a tenth of a second.
@settings(max_examples=choose(short=20, full=100))
@given(arrays(np.float64, st.integers(1, 12), elements=st.floats(0, 1)))
def test_holm_equals_statsmodels(p_values: np.ndarray) -> None:
    expected = multipletests(p_values, method="holm")[1]
    assert adjust_after_holm(p_values) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("n", [EXACT_SIGNED, EXACT_SIGNED + 1])
def test_many_signed_ranks_hold_the_centre_as_few_do(n: int) -> None:
    # On both sides of the change from the exact to the normal distribution.
    draws = np.random.default_rng(n).normal(0.0, 1.0, (300, n))
    held = [estimate_centre(one).interval.holds(0.0) for one in draws]
    assert np.mean(held) == pytest.approx(0.95, abs=0.04)


@pytest.mark.parametrize("n", [EXACT_SUM // 2, EXACT_SUM // 2 + 1])
def test_many_rank_sums_hold_the_shift_as_few_do(n: int) -> None:
    draws = np.random.default_rng(n).normal(0.0, 1.0, (150, 2, n))
    held = [estimate_shift(*one).interval.holds(0.0) for one in draws]
    rejected = [assess_rank_sum(*one).p_value < 0.05 for one in draws]
    assert np.mean(held) == pytest.approx(0.95, abs=0.055)
    assert np.mean(rejected) == pytest.approx(0.05, abs=0.055)


def test_many_averages_and_differences_are_those_of_all_pairs() -> None:
    generator = np.random.default_rng(8)
    values, others = generator.standard_t(3, 401), generator.gamma(2.0, size=300)
    first, second = np.triu_indices(values.size)
    averages = np.sort((values[first] + values[second]) / 2)
    differences = np.sort((values[:, None] - others[None, :]).ravel())
    ranks = [1, 17, 4_000, 40_201, averages.size]
    assert find_averages(values, ranks) == pytest.approx(averages[np.array(ranks) - 1], abs=1e-12)
    ranks = [1, 90, 60_150, differences.size]
    assert find_differences(values, others, ranks) == pytest.approx(
        differences[np.array(ranks) - 1], abs=1e-12
    )
    assert estimate_centre(values).estimate == pytest.approx(np.median(averages), abs=1e-12)
    assert estimate_shift(values, others).estimate == pytest.approx(
        np.median(differences), abs=1e-12
    )


def test_repeated_values_have_exact_ranks_among_many() -> None:
    values = np.repeat([1.0, 2.0, 5.0], 150)
    first, second = np.triu_indices(values.size)
    averages = np.sort((values[first] + values[second]) / 2)
    ranks = list(range(1, averages.size, 9_001))
    assert find_averages(values, ranks) == pytest.approx(averages[np.array(ranks) - 1], abs=1e-12)


def test_many_rank_sums_with_ties_have_scipys_p() -> None:
    generator = np.random.default_rng(12)
    for size in (60, 90):
        first, second = generator.integers(0, 9, size), generator.integers(1, 10, 55)
        expected = stats.mannwhitneyu(first, second, method="asymptotic").pvalue
        found = assess_rank_sum(first.astype(np.float64), second.astype(np.float64))
        assert found.p_value == pytest.approx(expected, rel=1e-9)
    assert assess_rank_sum(np.ones(60), np.ones(60)).p_value == 1.0
