"""Concordance and intraclass correlation against papers and libraries."""

import numpy as np
import pandas as pd
import pingouin
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from tasks.maths import concordance
from tests.unit.maths import published_sets as sets

W1, M1 = np.array(sets.PEAK_FLOW_W1, float), np.array(sets.PEAK_FLOW_M1, float)


def test_peak_flow_concordance_equals_the_published_value() -> None:
    # 0.9427, printed by the documentation of a MATLAB toolbox that quotes R's DescTools; Pearson's
    # r 0.94 in Bland and Altman 1986.
    found = concordance.compute_concordance(W1, M1)
    assert found.ccc == pytest.approx(0.9427, abs=0.00005)
    assert found.pearson_r == pytest.approx(0.94, abs=0.005)
    assert found.bias_correction == pytest.approx(found.ccc / found.pearson_r)
    # Interval .8505 to .9787 by the formula of 2000, worked out apart from this code.
    assert found.interval.low == pytest.approx(0.8505, abs=0.00005)
    assert found.interval.high == pytest.approx(0.9787, abs=0.00005)


def test_concordance_uses_variances_over_n() -> None:
    # Over n - 1 the same data give 0.942752 instead of 0.942742.
    assert concordance.compute_ccc(W1, M1) == pytest.approx(0.942742, abs=5e-7)


def test_a_perfect_line_off_the_diagonal_correlates_but_does_not_concord() -> None:
    reference = np.arange(100.0, 180.0)
    test = 1.2 * reference - 10
    assert concordance.compute_pearson_r(test, reference) == pytest.approx(1.0)
    # By pencil: variance of 80 consecutive whole numbers (80^2 - 1) / 12 = 533.25, mean 139.5.
    variance, shift = 533.25, 0.2 * 139.5 - 10
    expected = 2 * 1.2 * variance / (variance + 1.44 * variance + shift**2)
    assert concordance.compute_ccc(test, reference) == pytest.approx(expected)


@given(st.integers(0, 10_000), st.floats(-0.99, 0.99))
def test_pearson_equals_scipy(seed: int, mix: float) -> None:
    generator = np.random.default_rng(seed)
    first = generator.normal(150, 10, 50)
    second = mix * first + generator.normal(0, 5, 50)
    assert concordance.compute_pearson_r(first, second) == pytest.approx(
        stats.pearsonr(first, second).statistic, abs=1e-12
    )


@given(st.integers(0, 10_000))
def test_concordance_never_exceeds_correlation_and_is_symmetric(seed: int) -> None:
    generator = np.random.default_rng(seed)
    first = generator.normal(150, 10, 30)
    second = first + generator.normal(2, 5, 30)
    ccc = concordance.compute_ccc(first, second)
    assert abs(ccc) <= abs(concordance.compute_pearson_r(first, second)) + 1e-12
    assert ccc == pytest.approx(concordance.compute_ccc(second, first))


def test_series_without_variation_give_no_number() -> None:
    still = np.full(10, 120.0)
    assert np.isnan(concordance.compute_pearson_r(still, np.arange(10.0)))
    assert np.isnan(concordance.compute_ccc(still, still))
    assert np.isnan(concordance.compute_ccc(np.ones(1), np.ones(1)))
    assert np.isnan(concordance.compute_concordance(still, still).interval.low)


def test_identical_series_concord_wholly() -> None:
    found = concordance.compute_concordance(W1, W1)
    assert found.ccc == pytest.approx(1.0)
    assert found.interval.high == pytest.approx(1.0, abs=1e-6)


def test_intraclass_correlations_equal_shrout_and_fleiss() -> None:
    # Shrout and Fleiss 1979, tables 3 and 4: mean squares 11.24, 6.26, 32.49, 1.02; forms .17 .29
    # .71 .44 .62 .91. Intervals as pingouin and R's psych print them.
    found = concordance.compute_intraclass_correlation(np.array(sets.SHROUT_FLEISS, float))
    assert found.between_targets == pytest.approx(11.24, abs=0.005)
    assert found.within_targets == pytest.approx(6.26, abs=0.005)
    assert found.between_judges == pytest.approx(32.49, abs=0.005)
    assert found.residual == pytest.approx(1.02, abs=0.005)
    assert found.forms == tuple(
        pytest.approx(value, abs=0.005) for value in (0.17, 0.29, 0.71, 0.44, 0.62, 0.91)
    )
    printed = [(-0.13, 0.72), (0.02, 0.76), (0.34, 0.95), (-0.88, 0.91), (0.07, 0.93), (0.68, 0.99)]
    for interval, (low, high) in zip(found.intervals, printed, strict=True):
        assert interval.low == pytest.approx(low, abs=0.005)
        assert interval.high == pytest.approx(high, abs=0.005)


@pytest.mark.filterwarnings("ignore:The inplace keyword")  # pingouin's own call to pandas
def test_intraclass_correlations_equal_pingouin_on_its_wine_set() -> None:
    # Printed in pingouin's documentation: .728 .728 .729 .914 .914 .915.
    table = pingouin.read_dataset("icc")
    wide = table.pivot_table(index="Wine", columns="Judge", values="Scores")
    found = concordance.compute_intraclass_correlation(wide.to_numpy(float))
    printed = (0.728, 0.728, 0.729, 0.914, 0.914, 0.915)
    assert found.forms == tuple(pytest.approx(value, abs=0.0005) for value in printed)
    again = pingouin.intraclass_corr(
        data=pd.DataFrame(table), targets="Wine", raters="Judge", ratings="Scores"
    )
    assert list(found.forms) == pytest.approx(again["ICC"].to_list(), abs=1e-6)


def test_a_single_judge_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 2 targets by 2 judges"):
        concordance.compute_intraclass_correlation(np.ones((5, 1)))
