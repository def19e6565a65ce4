"""Signed ranks, rank sums, Holm's adjustment and numbers needed against published examples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.power import TTestPower

from tasks.maths.equivalence import assess_paired_equivalence
from tasks.maths.multiplicity import adjust_after_holm
from tasks.maths.planning import (
    compute_power_of_difference,
    compute_power_of_equivalence,
    find_workouts_needed,
)
from tasks.maths.rank_sum import EXACT_UP_TO as EXACT_SUM
from tasks.maths.rank_sum import assess_rank_sum, estimate_shift
from tasks.maths.signed_rank import EXACT_UP_TO as EXACT_SIGNED
from tasks.maths.signed_rank import assess_signed_rank, estimate_centre, find_smallest_p
from tests.tiers import choose

#: Darwin's maize, differences of heights, as in the documentation of scipy.stats.wilcoxon.
MAIZE = np.array([6, 8, 14, 16, 23, 24, 28, 29, 41, -48, 49, 56, 60, -67, 75], dtype=np.float64)
#: Hollander and Wolfe, depression scale before and after, as in the help of R's wilcox.test.
BEFORE = np.array([1.83, 0.50, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.30])
AFTER = np.array([0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 3.14, 1.29])
#: Student's sleep of 1908, extra hours with two drugs.
SLEEP_1 = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0])
SLEEP_2 = np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])
#: Hollander and Wolfe, permeability of membranes, as in the help of R's wilcox.test.
TERM = np.array([0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46])
EARLY = np.array([1.15, 0.88, 0.90, 0.74, 1.21])


def test_maize_has_its_published_p() -> None:
    found = assess_signed_rank(MAIZE)
    assert found.sum_positive == 96
    assert found.p_value == pytest.approx(0.041259765625, abs=1e-15)


def test_depression_has_its_published_p_centre_and_interval() -> None:
    found, centre = assess_signed_rank(BEFORE - AFTER), estimate_centre(BEFORE - AFTER)
    assert found.sum_positive == 40
    assert found.p_value / 2 == pytest.approx(0.01953, abs=5e-6)
    assert centre.estimate == pytest.approx(0.46, abs=5e-3)
    assert centre.interval.low == pytest.approx(0.010, abs=5e-4)
    assert centre.interval.high == pytest.approx(0.786, abs=5e-4)


def test_a_zero_difference_is_left_out_and_ties_share_a_rank() -> None:
    # Nine of ten differences are not zero, all of one sign: 2 / 2^9 whatever the ties.
    found = assess_signed_rank(SLEEP_1 - SLEEP_2)
    assert found.n == 9
    assert found.p_value == pytest.approx(2 / 2**9)


def test_float_noise_makes_no_ranks() -> None:
    # 0.3 - 0.2 and 0.2 - 0.1 are not the same float.
    differences = np.array([0.3 - 0.2, 0.2 - 0.1, -(0.4 - 0.3)])
    assert assess_signed_rank(differences).sum_positive == 4


@given(arrays(np.int64, st.integers(1, 9), elements=st.integers(-6, 6)))
def test_signed_ranks_with_ties_equal_scipys_enumeration(whole: np.ndarray) -> None:
    differences = whole[whole != 0].astype(np.float64)
    found = assess_signed_rank(whole.astype(np.float64))
    if differences.size < 2:  # scipy enumerates no single value: either sign, p 1
        assert found.p_value == 1
        return
    method = stats.PermutationMethod(n_resamples=2**differences.size)
    expected = stats.wilcoxon(differences, method=method)
    assert found.p_value == pytest.approx(expected.pvalue, abs=1e-12)


@pytest.mark.parametrize(("n", "smallest"), [(3, 0.25), (5, 0.0625), (6, 0.03125), (10, 0.001953)])
def test_no_data_go_below_the_smallest_p(n: int, smallest: float) -> None:
    # Table of smallest exact p values: 2 / 2^n.
    assert find_smallest_p(n) == pytest.approx(smallest, rel=1e-3)
    assert assess_signed_rank(np.arange(1.0, n + 1)).p_value == pytest.approx(find_smallest_p(n))


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


@pytest.mark.parametrize(("effect", "n"), [(0.5, 34), (0.2, 199), (0.8, 15)])
def test_numbers_needed_are_the_published_ones(effect: float, n: int) -> None:
    # Published for a paired t test with 80 % power (G*Power): 34 at 0.5, 199 at 0.2, 15 at 0.8.
    assert compute_power_of_difference(effect, n) >= 0.8
    assert compute_power_of_difference(effect, n - 1) < 0.8
    expected = TTestPower().power(effect, n, 0.05)
    assert compute_power_of_difference(effect, n) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(
    ("effect", "margin", "n"), [(0.0, 1.0, 11), (0.3, 1.0, 20), (0.1, 0.6, 30)]
)
def test_power_of_equivalence_is_what_simulation_finds(
    effect: float, margin: float, n: int
) -> None:
    generator = np.random.default_rng(3)
    shown = [
        assess_paired_equivalence(one, low=-margin, high=margin).is_equivalent
        for one in generator.normal(effect, 1.0, (3000, n))
    ]
    assert compute_power_of_equivalence(effect, margin, n) == pytest.approx(
        np.mean(shown), abs=0.025
    )


def test_workouts_needed_reach_what_they_promise() -> None:
    needed = find_workouts_needed(0.6, 1.0, margin=None)
    assert needed is not None
    generator = np.random.default_rng(7)
    shown = [
        assess_signed_rank(one).p_value < 0.05 for one in generator.normal(0.6, 1, (600, needed))
    ]
    assert np.mean(shown) == pytest.approx(0.8, abs=0.05)


def test_workouts_needed_say_none_where_no_number_would_do() -> None:
    assert find_workouts_needed(0.0, 1.0, margin=None) is None
    assert find_workouts_needed(float("nan"), 1.0, margin=1.0) is None
    assert find_workouts_needed(1.0, float("nan"), margin=1.0) is None
    # A difference as large as the margin never proves alike, but shows itself.
    assert find_workouts_needed(1.0, 1.0, margin=1.0) == find_workouts_needed(1.0, 1.0, margin=None)


def test_a_stricter_family_needs_more_workouts() -> None:
    # Signed ranks need 1 - log2(alpha) values at the least: 6 for 0.05, 9 for 0.05 / 12.
    assert find_workouts_needed(50.0, 1.0, margin=None) == 6
    assert find_workouts_needed(50.0, 1.0, margin=None, alpha=0.05 / 12) == 9


@pytest.mark.parametrize("values", [np.array([]), np.array([0.0]), np.zeros(4)])
def test_nothing_different_is_no_difference(values: np.ndarray) -> None:
    assert assess_signed_rank(values).p_value == 1.0


def test_a_difference_that_is_no_number_is_refused() -> None:
    with pytest.raises(ValueError, match="finite"):
        assess_signed_rank(np.array([1.0, np.nan]))


@pytest.mark.parametrize("n", [EXACT_SIGNED, EXACT_SIGNED + 1])
def test_many_signed_ranks_hold_the_centre_as_few_do(n: int) -> None:
    # On both sides of the change from the exact to the normal distribution.
    draws = np.random.default_rng(n).normal(0.0, 1.0, (300, n))
    held = [estimate_centre(one).interval.holds(0.0) for one in draws]
    rejected = [assess_signed_rank(one).p_value < 0.05 for one in draws]
    assert np.mean(held) == pytest.approx(0.95, abs=0.04)
    assert np.mean(rejected) == pytest.approx(0.05, abs=0.04)


@pytest.mark.parametrize("n", [EXACT_SUM // 2, EXACT_SUM // 2 + 1])
def test_many_rank_sums_hold_the_shift_as_few_do(n: int) -> None:
    draws = np.random.default_rng(n).normal(0.0, 1.0, (150, 2, n))
    held = [estimate_shift(*one).interval.holds(0.0) for one in draws]
    rejected = [assess_rank_sum(*one).p_value < 0.05 for one in draws]
    assert np.mean(held) == pytest.approx(0.95, abs=0.055)
    assert np.mean(rejected) == pytest.approx(0.05, abs=0.055)
