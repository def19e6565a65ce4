"""The model with a random intercept against published examples, another program, and simulation."""

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tasks.maths.arrays import FloatArray
from tasks.maths.random_intercept import (
    RandomIntercept,
    estimate_unbalanced_difference,
    fit_random_intercept,
)
from tests.unit.maths import published_sets as sets


def _fit_mean(groups: list[FloatArray]) -> RandomIntercept:
    values = np.concatenate(groups)
    numbers = np.repeat(np.arange(len(groups)), [group.size for group in groups])
    fitted = fit_random_intercept(values, np.ones((values.size, 1)), numbers)
    assert fitted is not None
    return fitted


def _lay_out(
    pairs: FloatArray, first_only: FloatArray, second_only: FloatArray
) -> tuple[FloatArray, FloatArray, np.ndarray]:
    n, alone = len(pairs), first_only.size + second_only.size
    values = np.concatenate([pairs[:, 0], pairs[:, 1], first_only, second_only])
    is_first = np.repeat([1.0, 0.0, 1.0, 0.0], [n, n, first_only.size, second_only.size])
    groups = np.concatenate([np.arange(n), np.arange(n), n + np.arange(alone)])
    return values, np.column_stack([np.ones_like(values), is_first]), groups


def _draw(
    seed: int, *, n: int, first: int, second: int, spread: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    generator = np.random.default_rng(seed)
    level = spread * generator.normal(size=n + first + second)
    pairs = level[:n, None] + generator.normal(size=(n, 2)) + [1.0, 0.0]
    return (
        pairs,
        level[n : n + first] + generator.normal(size=first) + 1.0,
        level[n + first :] + generator.normal(size=second),
    )


def test_dyestuff_equals_the_published_fit() -> None:
    # lme4's example (from memory): mean 1527.5, batches 1764, rest 2451, criterion 319.6543. In a
    # balanced design the analysis of variance gives the same: 1764.05 and 2451.25, and the mean of
    # six batches has five degrees of freedom and the standard error sqrt(MS between / 30).
    fitted = _fit_mean([np.array(batch, float) for batch in sets.DYESTUFF])
    assert fitted.effects[0] == pytest.approx(1527.5)
    assert fitted.group_variance == pytest.approx(1764.05, abs=0.01)
    assert fitted.residual_variance == pytest.approx(2451.25, abs=0.001)
    assert fitted.criterion == pytest.approx(319.6543, abs=1e-4)
    assert fitted.degrees_of_freedom[0] == pytest.approx(5.0, abs=1e-3)
    means = np.mean(sets.DYESTUFF, axis=1)
    assert fitted.covariance[0, 0] == pytest.approx(np.var(means, ddof=1) / 6, rel=1e-4)


def test_cardiac_output_equals_another_program() -> None:
    # Bland and Altman 2007's unequal groups by REML, computed with statsmodels 0.15 MixedLM.
    pairs = zip(sets.CARDIAC_RV, sets.CARDIAC_IC, strict=True)
    fitted = _fit_mean([np.array(rv) - np.array(ic) for rv, ic in pairs])
    assert fitted.effects[0] == pytest.approx(0.704521, abs=1e-5)
    assert fitted.group_variance == pytest.approx(0.872806, abs=1e-4)
    assert fitted.residual_variance == pytest.approx(0.170802, abs=1e-5)


@pytest.mark.parametrize("seed", range(4))
def test_two_devices_equal_statsmodels(seed: int) -> None:
    from statsmodels.regression.mixed_linear_model import MixedLM  # noqa: PLC0415 - slow to import

    values, effects, groups = _lay_out(*_draw(seed, n=12, first=3, second=6, spread=1.5))
    ours = fit_random_intercept(values, effects, groups)
    assert ours is not None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it says more about its search than about its result
        theirs = MixedLM(values, effects, groups).fit(reml=True)
    assert ours.criterion == pytest.approx(-2 * theirs.llf, abs=1e-5)
    assert ours.effects == pytest.approx(theirs.fe_params, abs=1e-4)
    assert ours.group_variance == pytest.approx(float(theirs.cov_re[0, 0]), rel=1e-3)
    assert ours.residual_variance == pytest.approx(theirs.scale, rel=1e-3)


def test_covariance_equals_that_of_generalised_least_squares() -> None:
    # The textbook form, with the whole matrix V written out.
    values, effects, groups = _lay_out(*_draw(5, n=6, first=4, second=2, spread=1.0))
    fitted = fit_random_intercept(values, effects, groups)
    assert fitted is not None
    same = groups[:, None] == groups[None, :]
    whole = fitted.residual_variance * np.eye(values.size) + fitted.group_variance * same
    inverse = np.linalg.inv(whole)
    expected = np.linalg.inv(effects.T @ inverse @ effects)
    assert fitted.plain_covariance == pytest.approx(expected)
    assert fitted.effects == pytest.approx(expected @ effects.T @ inverse @ values)


def test_complete_pairs_give_the_paired_t_interval() -> None:
    # Where workouts differ much, the model of complete pairs is the paired t test.
    pairs, none, _ = _draw(7, n=9, first=0, second=0, spread=5.0)
    found = estimate_unbalanced_difference(pairs, none, none)
    differences = pairs[:, 0] - pairs[:, 1]
    error = np.std(differences, ddof=1) / 3
    assert found.estimate == pytest.approx(differences.mean())
    assert found.degrees_of_freedom == pytest.approx(8.0, abs=1e-3)
    # Student's t at 97.5 % with 8 degrees of freedom, from the tables: 2.306.
    assert found.interval.high - found.estimate == pytest.approx(2.306 * error, rel=1e-3)


@pytest.mark.parametrize("spread", [0.0, 1.0, 3.0])
def test_intervals_hold_the_difference_as_often_as_they_say(spread: float) -> None:
    # Three standard errors of 95 % in 500 are 2.9 %.
    found = [
        estimate_unbalanced_difference(*_draw(seed, n=4, first=3, second=4, spread=spread))
        for seed in range(500)
    ]
    share = np.mean([one.interval.holds(1.0) for one in found])
    assert share == pytest.approx(0.95, abs=0.029)


def test_values_without_a_partner_narrow_the_interval_where_workouts_are_alike() -> None:
    widths = []
    for alone in (0, 6):
        found = [
            estimate_unbalanced_difference(
                *_draw(seed, n=5, first=alone, second=alone, spread=0.3)
            ).interval
            for seed in range(100)
        ]
        widths.append(np.mean([one.high - one.low for one in found]))
    assert widths[1] < 0.75 * widths[0]


@given(st.integers(0, 1000))
def test_the_difference_flips_its_sign_when_devices_swap(seed: int) -> None:
    pairs, first, second = _draw(seed, n=4, first=2, second=3, spread=1.0)
    one = estimate_unbalanced_difference(pairs, first, second)
    other = estimate_unbalanced_difference(pairs[:, ::-1], second, first)
    assert other.estimate == pytest.approx(-one.estimate, abs=1e-4)
    assert other.interval.low == pytest.approx(-one.interval.high, abs=1e-3)


def test_a_far_level_of_all_values_changes_nothing() -> None:
    pairs, first, second = _draw(2, n=5, first=2, second=3, spread=1.0)
    near = estimate_unbalanced_difference(pairs, first, second)
    far = estimate_unbalanced_difference(pairs + 1e6, first + 1e6, second + 1e6)
    assert far.estimate == pytest.approx(near.estimate, abs=1e-5)
    assert far.group_sd == pytest.approx(near.group_sd, abs=1e-4)


def test_what_cannot_be_fitted_gives_nothing() -> None:
    few = estimate_unbalanced_difference(np.ones((2, 2)), np.array([1.0]), np.array([2.0]))
    assert np.isnan(few.estimate)
    constant = estimate_unbalanced_difference(np.ones((4, 2)), np.ones(2), np.ones(1))
    assert np.isnan(constant.estimate)
    assert np.isnan(constant.interval.low)
    apart = np.column_stack([np.arange(4.0) + 1, np.arange(4.0)])
    # Pairs that differ by one and the same number leave nothing to find an error from.
    assert np.isnan(estimate_unbalanced_difference(apart, np.empty(0), np.empty(0)).estimate)
    assert fit_random_intercept(np.ones(1), np.ones((1, 1)), np.zeros(1, dtype=np.int64)) is None
