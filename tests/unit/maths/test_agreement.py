"""Agreement figures against paper, pencil and a general-purpose library."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from sklearn import metrics as reference_library

from tasks.maths import agreement
from tests.unit.maths.published_sets import PEAK_FLOW_M1, PEAK_FLOW_W1

series = arrays(np.float64, st.integers(1, 40), elements=st.floats(20, 250))


def test_bias_and_spread_equal_the_peak_flow_paper() -> None:
    # Bland and Altman 1986: mean difference -2.1, standard deviation 38.8 l/min.
    differences = np.array(PEAK_FLOW_W1, float) - np.array(PEAK_FLOW_M1, float)
    assert agreement.compute_bias(differences) == pytest.approx(-2.1, abs=0.05)
    assert agreement.compute_sd(differences) == pytest.approx(38.8, abs=0.05)


def test_equal_means_hide_errors_that_mae_and_mape_show() -> None:
    # By pencil: differences -10, 8, -8, 13.
    reference = np.array([150.0, 152.0, 148.0, 151.0])
    differences = np.array([140.0, 160.0, 140.0, 164.0]) - reference
    assert agreement.compute_bias(differences) == 0.75
    assert agreement.compute_mae(differences) == 9.75
    assert agreement.compute_mape_pct(differences, reference) == pytest.approx(
        100 * (10 / 150 + 8 / 152 + 8 / 148 + 13 / 151) / 4
    )
    assert agreement.compute_rmse(differences) == pytest.approx(np.sqrt(397 / 4))


def test_mape_is_the_mean_of_shares_not_the_share_of_sums() -> None:
    # By pencil: 10 of 50 is 20 %, 10 of 200 is 5 %, mean 12.5 %; the ratio of sums would be 8 %.
    mape = agreement.compute_mape_pct(np.array([10.0, -10.0]), np.array([50.0, 200.0]))
    assert mape == pytest.approx(12.5)


def test_mape_drops_samples_whose_reference_is_zero() -> None:
    mape = agreement.compute_mape_pct(np.array([5.0, 3.0]), np.array([0.0, 100.0]))
    assert mape == pytest.approx(3.0)
    assert np.isnan(agreement.compute_mape_pct(np.array([5.0]), np.array([0.0])))


def test_shares_count_the_edge_as_inside() -> None:
    reference = np.full(4, 100.0)
    differences = np.array([5.0, -5.0, 5.1, -10.0])
    assert agreement.compute_share_within_pct(differences, limit=5) == 50.0
    assert agreement.compute_share_within_relative_pct(differences, reference, limit_pct=10) == 100
    assert (
        agreement.compute_share_within_greater_pct(
            differences, np.full(4, 20.0), limit=5, limit_pct=10
        )
        == 50.0
    )


def test_spread_survives_a_large_mean() -> None:
    # NIST NumAcc4, certified standard deviation 0.1 (from memory): 1,001 values near ten million.
    values = 10_000_000 + np.array([0.2] + [0.1, 0.3] * 500)
    assert agreement.compute_sd(values) == pytest.approx(0.1, abs=1e-7)


def test_nothing_to_compare_gives_no_number() -> None:
    empty = np.empty(0)
    for compute in (agreement.compute_bias, agreement.compute_mae, agreement.compute_rmse):
        assert np.isnan(compute(empty))
    assert np.isnan(agreement.compute_sd(np.array([1.0])))
    assert np.isnan(agreement.compute_abs_quantile(empty, quantile=0.95))
    assert np.isnan(agreement.compute_share_within_pct(empty, limit=5))
    assert np.isnan(agreement.compute_share_within_relative_pct(empty, empty, limit_pct=10))
    assert np.isnan(agreement.compute_share_within_greater_pct(empty, empty, limit=5, limit_pct=10))


def test_unpaired_series_are_refused() -> None:
    with pytest.raises(ValueError, match=r"\(2,\) and \(3,\)"):
        agreement.compute_mape_pct(np.ones(2), np.ones(3))


@given(series, st.integers(0, 2**32 - 1))
def test_errors_equal_those_of_scikit_learn(reference: np.ndarray, seed: int) -> None:
    test = reference + np.random.default_rng(seed).normal(0, 10, reference.size)
    differences = test - reference
    assert agreement.compute_mae(differences) == pytest.approx(
        reference_library.mean_absolute_error(reference, test)
    )
    assert agreement.compute_rmse(differences) == pytest.approx(
        reference_library.root_mean_squared_error(reference, test)
    )
    assert agreement.compute_mape_pct(differences, reference) == pytest.approx(
        100 * reference_library.mean_absolute_percentage_error(reference, test)
    )


@given(series)
def test_bias_flips_sign_when_devices_swap_and_magnitudes_stay(differences: np.ndarray) -> None:
    shifted = differences - 100
    assert agreement.compute_bias(-shifted) == -agreement.compute_bias(shifted)
    assert agreement.compute_mae(-shifted) == agreement.compute_mae(shifted)
    assert agreement.compute_rmse(-shifted) == agreement.compute_rmse(shifted)


@given(series, st.floats(-50, 50))
def test_adding_a_constant_moves_bias_by_it_and_leaves_spread(
    differences: np.ndarray, constant: float
) -> None:
    moved = differences + constant
    assert agreement.compute_bias(moved) == pytest.approx(
        agreement.compute_bias(differences) + constant, abs=1e-9
    )
    if differences.size > 1:
        assert agreement.compute_sd(moved) == pytest.approx(
            agreement.compute_sd(differences), abs=1e-9
        )


@given(series)
def test_rmse_is_between_mae_and_the_largest_error(differences: np.ndarray) -> None:
    errors = differences - 120
    largest = float(np.abs(errors).max())
    assert agreement.compute_mae(errors) <= agreement.compute_rmse(errors) + 1e-9
    assert agreement.compute_rmse(errors) <= largest + 1e-9
