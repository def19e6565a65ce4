"""Intervals of long-run means: against scipy, statsmodels and the pencil, and what gates let by."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from scipy.fft import dct
from scipy.signal import lfilter

from tasks.maths import long_run
from tasks.maths.long_run import (
    FEWEST_SECONDS,
    compute_block_skewness,
    compute_wave_error,
    count_changes,
    estimate_mean,
    estimate_share,
    explain_no_long_run,
    find_largest_share,
    undo_skewness,
)

HOUR_S = 3600


def draw_memory(n: int, rho: float, seed: int) -> np.ndarray:
    shocks = np.random.default_rng(seed).standard_normal(n + 2000) * np.sqrt(1 - rho**2)
    return lfilter([1.0], [1.0, -rho], shocks)[2000:]


def test_all_waves_give_the_standard_error_of_independent_samples() -> None:
    values = np.random.default_rng(1).normal(3, 2, 50)
    assert compute_wave_error(values, n_waves=49) == pytest.approx(stats.sem(values))


def test_the_slowest_waves_are_those_of_the_cosine_transform() -> None:
    values = draw_memory(500, 0.9, 2)
    weights = dct(values, norm="ortho")[1:9]
    expected = np.sqrt(np.mean(np.square(weights)) / 500)
    assert compute_wave_error(values, n_waves=8) == pytest.approx(expected)


def test_the_error_of_a_long_series_is_that_of_statsmodels() -> None:
    """Two estimators of one long-run variance: cosine waves and Bartlett's kernel.

    200 waves have a standard error of 1 / sqrt(2 * 200) = 5 % of their root; two are allowed.
    """
    values = draw_memory(100_000, 0.9, 3)
    fit = sm.OLS(values, np.ones(values.size)).fit(cov_type="HAC", cov_kwds={"maxlags": 300})
    assert compute_wave_error(values, n_waves=200) == pytest.approx(fit.bse[0], rel=0.1)


def test_the_limit_of_slow_waves_is_the_quantile_of_f() -> None:
    """The table of the NIST handbook, 1.3.6.7.3, has 7.559 for 2 and 10 degrees of freedom."""
    assert stats.f.ppf(0.99, 2, 10) == pytest.approx(long_run._SLOW_LIMIT, abs=0.0005)


@pytest.mark.parametrize("bend", [0.0, 1e-9, 0.2, -0.2, 0.8])
@pytest.mark.parametrize("quantile", [-2.3, 0.0, 2.3])
def test_skewness_is_undone_by_the_inverse_of_its_transformation(
    bend: float, quantile: float
) -> None:
    t = undo_skewness(quantile, bend)
    again = t + bend * t**2 / 3 + bend**2 * t**3 / 27 + bend / 6
    assert again == pytest.approx(quantile, abs=1e-6)


def test_block_skewness_is_that_of_scipy() -> None:
    values = np.repeat(np.random.default_rng(4).gamma(1, size=24), 150)
    means = values.reshape(24, 150).mean(axis=1)
    # scipy's adjusted skewness: n / (n - 1) / (n - 2) sum of cubes; ours has n - 1 for n - 2.
    expected = stats.skew(means, bias=False) * 22 / 24
    assert compute_block_skewness(values) == pytest.approx(expected)
    assert compute_block_skewness(np.ones(240)) == 0


def test_an_hour_of_errors_that_soon_forget_has_an_interval() -> None:
    found = estimate_mean(2 + draw_memory(HOUR_S, 0.9, 5))
    assert found.reason is None
    assert found.interval.low < 2 < found.interval.high
    # By formula SD sqrt(19 / 3600) = 0.073; t 2.306 and a tenth more make +- 0.184.
    assert 0.1 < found.interval.high - found.interval.low < 0.8


def test_less_than_45_minutes_have_none() -> None:
    found = estimate_mean(draw_memory(FEWEST_SECONDS - 1, 0.5, 6))
    assert np.isnan(found.interval.low)
    assert found.reason == "45 min can be compared; an interval takes 45"


def test_an_interval_below_the_least_that_a_figure_can_be_is_none() -> None:
    values = 0.01 + draw_memory(HOUR_S, 0.9, 5)
    assert estimate_mean(values).reason is None
    assert "beyond what the figure can be" in str(estimate_mean(values, least=0.0).reason)


def test_a_workout_half_wrong_half_right_has_none() -> None:
    """Noise of SD 2 throughout, 15 off in the first half: one change says nothing of how often."""
    values = 2 * draw_memory(HOUR_S, 0.95, 7) + 15 * (np.arange(HOUR_S) < HOUR_S / 2)
    assert explain_no_long_run(values)
    # A change as small as the noise is seen by its slow waves.
    small = 2 * draw_memory(HOUR_S, 0.9, 7) + 1.6 * (np.arange(HOUR_S) < HOUR_S / 2)
    assert "change their level too seldom" in str(explain_no_long_run(small))


@pytest.mark.parametrize("lock_s", [20, 60, 180])
def test_a_late_lock_has_none_since_a_workout_has_one_start(lock_s: int) -> None:
    values = np.abs(2 * draw_memory(7200, 0.95, 8) - 40 * (np.arange(7200) < lock_s))
    assert explain_no_long_run(values)


def test_memory_that_leaves_few_independent_seconds_has_none() -> None:
    assert "independent ones" in str(explain_no_long_run(draw_memory(HOUR_S, 0.995, 9)))


def test_slow_changes_under_fast_noise_have_none() -> None:
    """Noise hides the memory of a state of five minutes from single seconds, not from means."""
    states = np.repeat(np.random.default_rng(10).integers(0, 2, 12), 300)
    values = states + np.random.default_rng(11).normal(0, 1, HOUR_S)
    assert count_changes(values) < 12
    assert explain_no_long_run(values)


def test_what_never_varies_has_none() -> None:
    assert explain_no_long_run(np.full(HOUR_S, 3.0)) == (
        "nothing varies that an interval could be made from"
    )
    assert explain_no_long_run(np.empty(0))
    assert count_changes(np.empty(0)) == 0


def test_the_largest_share_of_one_block_is_cochrans() -> None:
    """By pencil: one of 24 means is 1, others 0: (23/24)^2 of (23/24)^2 + 23/24^2 is 23/24."""
    one = np.zeros(2400)
    one[500:600] = 1.0
    assert find_largest_share(one) == pytest.approx(23 / 24)
    assert find_largest_share(np.ones(2400)) == 1
    # Shared by two blocks it would be half as large; blocks that begin half a block later see it.
    between = np.zeros(2400)
    between[550:650] = 1.0
    assert find_largest_share(between) > 0.9


def test_a_share_stays_inside_0_and_1_and_says_when_all_are_alike() -> None:
    marks = (draw_memory(7200, 0.9, 12) < 2).astype(float)
    found = estimate_share(marks)
    assert 0 < found.interval.low < marks.mean() < found.interval.high < 1
    assert "all seconds are inside" in str(estimate_share(np.ones(7200)).reason)
    assert "all seconds are outside" in str(estimate_share(np.zeros(7200)).reason)
    assert estimate_share(np.empty(0)).reason
