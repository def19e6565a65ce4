"""BCa intervals against the book that explains them, another program, and known means."""

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from tasks.maths.bca import FEWEST_VALUES, compute_bca_interval, compute_mean_intervals
from tests.unit.maths import published_sets as sets


def _bootstrap_variance(values: np.ndarray, n_resamples: int) -> tuple[np.ndarray, np.ndarray]:
    generator = np.random.default_rng(14)
    drawn = generator.integers(0, values.size, size=(n_resamples, values.size))
    left_out = [np.var(np.delete(values, one)) for one in range(values.size)]
    return np.var(values[drawn], axis=1), np.array(left_out)


def test_spatial_test_interval_equals_the_book() -> None:
    # Efron and Tibshirani 1993, section 14.3 (from memory): the variance with 1/n is 171.5, its
    # 90 % BCa interval 115.8 to 259.6 by 2000 resamples. Other resamples move the upper end by a
    # few units: scipy gives 261.8 to 262.8 over three seeds, hence 4.
    values = np.array(sets.SPATIAL_TEST, float)
    assert np.var(values) == pytest.approx(171.5, abs=0.05)
    resampled, left_out = _bootstrap_variance(values, 20_000)
    found = compute_bca_interval(float(np.var(values)), resampled, left_out, confidence=0.9)
    assert found.low == pytest.approx(115.8, abs=4)
    assert found.high == pytest.approx(259.6, abs=4)
    # The percentile interval of the same book, 100.8 to 233.9, is another one.
    assert found.low > 110
    assert found.high > 250


def test_plain_bca_equals_scipys() -> None:
    # Same formula, other random numbers: two ends of 40,000 resamples differ by about 1 % of the
    # interval's width.
    values = np.random.default_rng(3).gamma(2.0, size=15)
    theirs = stats.bootstrap(
        (values,), np.mean, n_resamples=40_000, method="BCa", rng=np.random.default_rng(1)
    ).confidence_interval
    drawn = np.random.default_rng(2).integers(0, 15, size=(40_000, 15))
    left_out = (values.sum() - values) / 14
    ours = compute_bca_interval(float(values.mean()), values[drawn].mean(axis=1), left_out)
    width = theirs.high - theirs.low
    assert ours.low == pytest.approx(theirs.low, abs=0.02 * width)
    assert ours.high == pytest.approx(theirs.high, abs=0.02 * width)


def test_interval_of_a_mean_holds_it_as_often_as_the_docstring_says() -> None:
    # Eight values of a normal and of a gamma distribution: 94 and 93 %; three standard errors of
    # 2000 groups are 1.7 %.
    generator = np.random.default_rng(8)
    for draw, mean, expected in (
        (generator.normal(size=(2000, 8)), 0.0, 0.938),
        (generator.gamma(3.0, size=(2000, 8)), 3.0, 0.933),
    ):
        found = compute_mean_intervals(list(draw), n_resamples=1999)
        share = np.mean([interval.holds(mean) for interval in found])
        assert share == pytest.approx(expected, abs=0.017)


def test_widened_interval_of_even_values_is_as_wide_as_students() -> None:
    # Simulated with eight values: the widths agree within 2 % on average.
    draws = np.random.default_rng(4).normal(size=(300, 8))
    ours = np.mean([found.high - found.low for found in compute_mean_intervals(list(draws))])
    students = np.mean(2 * stats.t.ppf(0.975, 7) * draws.std(axis=1, ddof=1) / np.sqrt(8))
    assert ours == pytest.approx(students, rel=0.05)


@given(st.lists(st.floats(-100, 100), min_size=8, max_size=20), st.randoms())
def test_order_and_company_of_values_do_not_matter(values: list[float], random: object) -> None:
    mixed = list(values)
    random.shuffle(mixed)  # type: ignore[attr-defined]
    others = np.arange(len(values), dtype=float)
    alone = compute_mean_intervals([np.array(values)], n_resamples=499)[0]
    together = compute_mean_intervals([others, np.array(mixed)], n_resamples=499)[1]
    assert together.low == pytest.approx(alone.low, abs=1e-9, nan_ok=True)
    assert together.high == pytest.approx(alone.high, abs=1e-9, nan_ok=True)


def test_interval_moves_and_grows_with_its_values() -> None:
    values = np.random.default_rng(6).gamma(2.0, size=12)
    plain, moved = compute_mean_intervals([values, 10 + 3 * values])
    assert moved.low == pytest.approx(10 + 3 * plain.low)
    assert moved.high == pytest.approx(10 + 3 * plain.high)


def test_few_values_have_no_interval_and_equal_ones_have_themselves() -> None:
    few, equal = compute_mean_intervals([np.arange(FEWEST_VALUES - 1.0), np.full(9, 2.5)])
    assert np.isnan(few.low)
    assert (equal.low, equal.high) == (2.5, 2.5)
    assert compute_mean_intervals([]) == []


def test_a_figure_outside_its_resamples_has_no_interval() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = compute_bca_interval(9.0, np.arange(5.0), np.arange(4.0))
        nothing = compute_bca_interval(1.0, np.empty(0), np.arange(4.0))
    assert np.isnan(found.low)
    assert np.isnan(nothing.high)
