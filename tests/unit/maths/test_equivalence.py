"""Two one-sided tests against the known results of R's TOSTER and statsmodels."""

import numpy as np
import pytest
from statsmodels.stats import weightstats

from tasks.maths.equivalence import (
    assess_equivalence,
    assess_paired_equivalence,
    assess_unpaired_equivalence,
)
from tests.unit.maths.published_sets import NCSS_A, NCSS_B


def test_one_sample_equals_the_known_result() -> None:
    # TOSTER tests, test-known_results.R: m .52 against .5, sd .5, n 300, margin .1.
    found = assess_equivalence(
        0.02, 0.5 / np.sqrt(300), degrees_of_freedom=299, low=-0.1, high=0.1, alpha=0.05
    )
    assert found.t_above_low == pytest.approx(4.156922, abs=5e-7)
    assert found.t_below_high == pytest.approx(-2.771281, abs=5e-7)
    assert found.p_above_low == pytest.approx(2.108451e-5, rel=1e-6)
    assert found.p_below_high == pytest.approx(0.002966762, abs=5e-10)
    assert found.interval.low == pytest.approx(-0.02763041, abs=5e-9)
    assert found.interval.high == pytest.approx(0.06763041, abs=5e-9)
    assert found.is_equivalent


def test_paired_summary_equals_the_known_result() -> None:
    # The same file: n 65, 5.83 against 5.75, sd 1.17 and 1.30, r .745, margin .34.
    sd = np.sqrt(1.17**2 + 1.30**2 - 2 * 0.745 * 1.17 * 1.30)
    found = assess_equivalence(
        5.83 - 5.75, sd / np.sqrt(65), degrees_of_freedom=64, low=-0.34, high=0.34
    )
    assert found.t_above_low == pytest.approx(3.803437, abs=5e-7)
    assert found.t_below_high == pytest.approx(-2.354508, abs=5e-7)
    assert found.p_above_low == pytest.approx(0.0001606103, abs=5e-11)
    assert found.p_below_high == pytest.approx(0.01081349, abs=5e-9)
    assert found.interval.low == pytest.approx(-0.1043032, abs=5e-8)
    assert found.interval.high == pytest.approx(0.2643032, abs=5e-8)


def test_two_groups_equal_the_known_result() -> None:
    # TOSTER tests, test-NCSS1.R: margin 110; pooled df 27, p .02821 and .01436; Welch df 19.169,
    # p .03628 and .02002.
    a, b = np.array(NCSS_A, float), np.array(NCSS_B, float)
    pooled = assess_unpaired_equivalence(a, b, low=-110, high=110, equal_variances=True)
    assert pooled.estimate == pytest.approx(-8.1153846, abs=5e-8)
    assert pooled.standard_error == pytest.approx(51.114285, abs=5e-7)
    assert pooled.degrees_of_freedom == 27
    assert {round(pooled.p_above_low, 5), round(pooled.p_below_high, 5)} == {0.02821, 0.01436}
    welch = assess_unpaired_equivalence(a, b, low=-110, high=110)
    assert welch.degrees_of_freedom == pytest.approx(19.169, abs=0.0005)
    assert welch.standard_error == pytest.approx(53.618547, abs=5e-7)
    assert {round(welch.p_above_low, 5), round(welch.p_below_high, 5)} == {0.03628, 0.02002}


def test_interval_inside_the_margin_is_equivalent_and_reaching_out_is_not() -> None:
    # Dixon et al. 2018, example 1: 90 % interval -.15 to .52 METs inside +-.65 is equivalent.
    found = assess_equivalence(0.18, 0.2, degrees_of_freedom=60, low=-0.65, high=0.65)
    assert found.is_equivalent
    assert -0.65 < found.interval.low < found.interval.high < 0.65
    assert not assess_equivalence(
        0.18, 0.2, degrees_of_freedom=60, low=-0.4, high=0.4
    ).is_equivalent


def test_paired_values_equal_statsmodels() -> None:
    differences = np.random.default_rng(3).normal(0.5, 2, 30)
    found = assess_paired_equivalence(differences, low=-2, high=2)
    p, lower, upper = weightstats.ttost_paired(differences, np.zeros(30), -2, 2)
    assert max(found.p_above_low, found.p_below_high) == pytest.approx(p)
    assert (found.p_above_low, found.p_below_high) == (
        pytest.approx(lower[1]),
        pytest.approx(upper[1]),
    )


def test_too_few_values_are_never_equivalent() -> None:
    assert not assess_paired_equivalence(np.empty(0), low=-1, high=1).is_equivalent
    assert not assess_paired_equivalence(np.zeros(1), low=-1, high=1).is_equivalent
    assert not assess_unpaired_equivalence(np.zeros(1), np.zeros(5), low=-1, high=1).is_equivalent


def test_values_without_spread_are_judged_by_the_estimate() -> None:
    assert assess_paired_equivalence(np.full(5, 0.5), low=-1, high=1).is_equivalent
    assert not assess_paired_equivalence(np.full(5, 1.5), low=-1, high=1).is_equivalent


def test_margins_in_the_wrong_order_are_refused() -> None:
    with pytest.raises(ValueError, match="found 1 and -1"):
        assess_equivalence(0, 1, degrees_of_freedom=5, low=1, high=-1)
