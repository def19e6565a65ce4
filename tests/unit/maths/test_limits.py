"""Limits of agreement against the papers that introduced them."""

import numpy as np
import pingouin
import pytest
from scipy import signal, stats

from tasks.maths import limits
from tasks.maths.workout_limits import compute_limits_from_summaries
from tests.unit.maths import published_sets as sets

Summaries = tuple[np.ndarray, np.ndarray, np.ndarray]


def _differences(first: list[int], second: list[int]) -> np.ndarray:
    return np.array(first, float) - np.array(second, float)


def _group(values: list[list[float]]) -> list[np.ndarray]:
    return [np.array(subject, float) for subject in values]


def _pair_groups(n_subjects: int = 12) -> list[np.ndarray]:
    return [
        np.array(rv) - np.array(ic)
        for rv, ic in zip(sets.CARDIAC_RV[:n_subjects], sets.CARDIAC_IC[:n_subjects], strict=True)
    ]


def test_peak_flow_limits_equal_the_paper() -> None:
    # Bland and Altman 1986, p. 309: limits -79.7 and 75.5 with 2 s (the paper rounded the standard
    # deviation first, hence 0.1), bias -22.0 to 17.8, lower limit -114.3 to -45.1, upper 40.9 to
    # 110.1.
    found = limits.compute_limits(
        _differences(sets.PEAK_FLOW_W1, sets.PEAK_FLOW_M1), factor=2.0, form="three_over_n"
    )
    assert found.n == 17
    assert (found.low, found.high) == (
        pytest.approx(-79.7, abs=0.1),
        pytest.approx(75.5, abs=0.1),
    )
    assert found.bias_interval.low == pytest.approx(-22.0, abs=0.06)
    assert found.bias_interval.high == pytest.approx(17.8, abs=0.06)
    assert found.low_interval.low == pytest.approx(-114.3, abs=0.2)
    assert found.low_interval.high == pytest.approx(-45.1, abs=0.2)
    assert found.high_interval.low == pytest.approx(40.9, abs=0.2)
    assert found.high_interval.high == pytest.approx(110.1, abs=0.2)


def test_peak_flow_repeatability_equals_the_paper() -> None:
    # Bland and Altman 1986: 21.6 (large meter) and 28.2 (mini meter), from memory.
    large = limits.compute_repeatability_sd(
        np.array(sets.PEAK_FLOW_W1, float), np.array(sets.PEAK_FLOW_W2, float)
    )
    mini = limits.compute_repeatability_sd(
        np.array(sets.PEAK_FLOW_M1, float), np.array(sets.PEAK_FLOW_M2, float)
    )
    assert large == pytest.approx(21.6, abs=0.05)
    assert mini == pytest.approx(28.2, abs=0.05)


def test_giavarina_limits_equal_the_paper() -> None:
    # Giavarina 2015: bias -27.17, SD 34.81, limits -95.39 and 41.05, interval -40.16 to -14.17.
    found = limits.compute_limits(_differences(sets.GIAVARINA_A, sets.GIAVARINA_B))
    assert found.bias == pytest.approx(-27.17, abs=0.005)
    assert found.sd == pytest.approx(34.81, abs=0.005)
    assert found.low == pytest.approx(-95.39, abs=0.005)
    assert found.high == pytest.approx(41.05, abs=0.005)
    assert found.bias_interval.low == pytest.approx(-40.16, abs=0.005)
    assert found.bias_interval.high == pytest.approx(-14.17, abs=0.005)


def test_single_pressure_readings_equal_the_paper() -> None:
    # Bland and Altman 1999, section 2 (from memory): -16.29, 19.61, -54.7, 22.1; intervals of the
    # limits -61.9 to -47.5 and 14.9 to 29.3, there with z and 1.71 s / sqrt(n): tolerance 0.15.
    found = limits.compute_limits(_differences(sets.PRESSURE_J1, sets.PRESSURE_S1))
    assert found.bias == pytest.approx(-16.29, abs=0.005)
    assert found.sd == pytest.approx(19.61, abs=0.005)
    assert found.low == pytest.approx(-54.7, abs=0.05)
    assert found.high == pytest.approx(22.1, abs=0.05)
    assert found.low_interval.low == pytest.approx(-61.9, abs=0.15)
    assert found.low_interval.high == pytest.approx(-47.5, abs=0.15)
    assert found.high_interval.low == pytest.approx(14.9, abs=0.15)
    assert found.high_interval.high == pytest.approx(29.3, abs=0.15)


def test_three_pressure_replicates_equal_the_paper() -> None:
    # Bland and Altman 1999, section 5.1 (from memory): bias -15.62, variance of means 358.493,
    # total variance 438.859, limits -56.68 and 25.44.
    observer = np.array([sets.PRESSURE_J1, sets.PRESSURE_J2, sets.PRESSURE_J3], float).T
    machine = np.array([sets.PRESSURE_S1, sets.PRESSURE_S2, sets.PRESSURE_S3], float).T
    found = limits.compute_limits_with_constant_truth(list(observer), list(machine))
    assert found.bias == pytest.approx(-15.62, abs=0.005)
    assert found.between_variance == pytest.approx(358.493, abs=0.0006)
    assert found.between_variance + found.within_variance == pytest.approx(438.859, abs=0.0006)
    assert found.low == pytest.approx(-56.68, abs=0.005)
    assert found.high == pytest.approx(25.44, abs=0.005)
    # Within-subject variances 37.408 and 83.141, each at (1 - 1/3).
    assert found.within_variance == pytest.approx(2 / 3 * (37.408 + 83.141), abs=0.001)


def test_cardiac_output_with_constant_truth_equals_the_paper() -> None:
    # Bland and Altman 2007, section 2 (from memory): bias .71, variance .912, -1.35 and 2.77.
    found = limits.compute_limits_with_constant_truth(
        _group(sets.CARDIAC_RV), _group(sets.CARDIAC_IC)
    )
    assert found.bias == pytest.approx(0.71, abs=0.005)
    assert found.between_variance == pytest.approx(0.912, abs=0.001)
    assert found.sd == pytest.approx(1.05, abs=0.005)
    assert found.low == pytest.approx(-1.35, abs=0.005)
    assert found.high == pytest.approx(2.77, abs=0.005)


def test_cardiac_output_with_varying_truth_equals_the_paper() -> None:
    # Bland and Altman 2007, section 3 (from memory): bias .60, limits -1.34 and 2.54.
    found = limits.compute_limits_with_varying_truth(_pair_groups())
    assert found.bias == pytest.approx(0.60, abs=0.005)
    assert found.low == pytest.approx(-1.34, abs=0.005)
    assert found.high == pytest.approx(2.54, abs=0.005)


def test_pooling_all_seconds_is_narrower_than_the_repeated_form() -> None:
    groups = _pair_groups()
    naive = limits.compute_limits(np.concatenate(groups))
    repeated = limits.compute_limits_with_varying_truth(groups)
    assert naive.sd < repeated.sd


def test_zou_interval_with_varying_truth_equals_the_example() -> None:
    # Zou 2013, as printed in the tests of the R package SimplyAgree: .7255, -2.14 (-9.83 to -.33),
    # 3.59 (1.77 to 11.27); the subset is the first four people.
    found = limits.compute_limits_with_varying_truth_by_recovery(_pair_groups(4))
    assert found.bias == pytest.approx(0.7255, abs=0.00005)
    assert found.low == pytest.approx(-2.14, abs=0.005)
    assert found.low_interval.low == pytest.approx(-9.83, abs=0.01)
    assert found.low_interval.high == pytest.approx(-0.33, abs=0.01)
    assert found.high == pytest.approx(3.59, abs=0.005)
    assert found.high_interval.low == pytest.approx(1.77, abs=0.011)
    assert found.high_interval.high == pytest.approx(11.27, abs=0.01)


def test_zou_interval_with_constant_truth_equals_the_example() -> None:
    # The same tests: -2.23 (-9.76 to -.48) and 3.66 (1.91 to 11.20), without the last IC of
    # subject 1 and of subject 2. Their bias .7125 looks like swapped digits: .7152 by pencil.
    rv, ic = _group(sets.CARDIAC_RV[:4]), _group(sets.CARDIAC_IC[:4])
    ic[0], ic[1] = ic[0][:4], ic[1][:3]
    found = limits.compute_limits_with_constant_truth(rv, ic)
    by_pencil = np.mean([a.mean() - b.mean() for a, b in zip(rv, ic, strict=True)])
    assert found.bias == pytest.approx(by_pencil)
    assert found.bias == pytest.approx(0.7152, abs=0.00005)
    assert found.low == pytest.approx(-2.23, abs=0.005)
    assert found.low_interval.low == pytest.approx(-9.76, abs=0.01)
    assert found.low_interval.high == pytest.approx(-0.48, abs=0.01)
    assert found.high == pytest.approx(3.66, abs=0.005)
    assert found.high_interval.low == pytest.approx(1.91, abs=0.01)
    assert found.high_interval.high == pytest.approx(11.20, abs=0.01)


def test_bias_interval_equals_scipy_and_limits_equal_pingouins_data_set() -> None:
    table = pingouin.read_dataset("blandaltman")
    differences = (table["A"] - table["B"]).to_numpy(float)
    found = limits.compute_limits(differences)
    low, high = stats.t.interval(
        0.95, differences.size - 1, differences.mean(), stats.sem(differences)
    )
    assert (found.bias_interval.low, found.bias_interval.high) == (
        pytest.approx(low),
        pytest.approx(high),
    )
    assert found.low == pytest.approx(-95.3863, abs=0.0001)


def test_one_pair_or_one_group_has_no_limits() -> None:
    assert limits.compute_limits(np.empty(0)).n == 0
    single = limits.compute_limits(np.array([3.0]))
    assert single.bias == 3.0
    assert np.isnan(single.low)
    assert np.isnan(limits.compute_limits_with_varying_truth([np.array([1.0, 2.0])]).low)
    assert np.isnan(
        limits.compute_limits_with_varying_truth_by_recovery([np.ones(1), np.ones(1)]).low
    )
    assert np.isnan(limits.compute_limits_with_constant_truth([np.ones(2)], [np.ones(2)]).low)


def test_unequal_numbers_of_subjects_are_refused() -> None:
    with pytest.raises(ValueError, match="found 1 and 2"):
        limits.compute_limits_with_constant_truth([np.ones(2)], [np.ones(2), np.ones(2)])


def draw_summaries(k: int, generator: np.random.Generator, *, skewed: bool) -> Summaries:
    """Draw half hours with the lag-1 autocorrelation 0.9 and the SD 1; means scatter with SD 1/2.

    The effective number is that of Bayley and Hammersley 1946. Skewed errors are exponential ones,
    SD and mean 1, by squares of two normal series (chi-squared with two degrees of freedom over 2).
    """
    n, rho = 1800, 0.9
    shape = (2 if skewed else 1, k, n)
    noise = generator.normal(size=shape) * np.sqrt(1 - rho**2)
    noise[..., 0] /= np.sqrt(1 - rho**2)
    series = signal.lfilter([1.0], [1.0, -rho], noise, axis=2)
    memory = rho**2 if skewed else rho
    error = np.square(series).sum(axis=0) / 2 if skewed else series[0]
    worth = np.full(k, n * (1 - memory) / (1 + memory))
    spread = np.sqrt(error.var(axis=1) / (1 - 1 / worth))
    return error.mean(axis=1) + generator.normal(size=k) / 2, spread, worth


@pytest.mark.parametrize("skewed", [False, True])
def test_limits_of_workouts_hold_whatever_the_errors_are_like(*, skewed: bool) -> None:
    # The limits are those of bias and variances: 1.96 sqrt(1.25) about the mean. Three standard
    # errors of 95 % in 400 are 3.3 %.
    generator = np.random.default_rng(13)
    centre, reach = float(skewed), 1.96 * np.sqrt(1.25)
    held = []
    for _ in range(400):
        found = compute_limits_from_summaries(*draw_summaries(10, generator, skewed=skewed))
        held += [
            found.low_interval.holds(centre - reach),
            found.high_interval.holds(centre + reach),
        ]
    assert 0.92 < np.mean(held) < 0.985


def test_limits_of_workouts_of_one_size_are_those_of_their_pairs() -> None:
    generator = np.random.default_rng(14)
    groups = [generator.normal(number, 2.0, size=40) for number in range(9)]
    means = np.array([group.mean() for group in groups])
    spread = np.array([group.std(ddof=1) for group in groups])
    found = compute_limits_from_summaries(means, spread, np.full(9, 40.0))
    pairs = limits.compute_limits_with_varying_truth_by_recovery(groups)
    assert (found.low, found.high) == pytest.approx((pairs.low, pairs.high))


def test_few_workouts_have_limits_without_intervals() -> None:
    found = compute_limits_from_summaries(np.arange(4.0), np.ones(4), np.full(4, 30.0))
    assert np.isfinite(found.low)
    assert np.isnan(found.low_interval.low)


def test_workouts_worth_hardly_more_than_a_pair_each_are_no_trouble() -> None:
    found = compute_limits_from_summaries(np.arange(9.0), np.ones(9), np.full(9, 1.0001))
    assert np.isfinite(found.high_interval.high)


def test_summaries_of_one_workout_have_no_limits() -> None:
    one = np.ones(1)
    assert np.isnan(compute_limits_from_summaries(one, one, 50 * one).low)
