"""Ascent, robust slope, noise and pressure; expected values by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tasks.maths.elevation import (
    accumulate_climb,
    accumulate_reversals,
    compute_pressure_altitude_m,
    compute_pressure_pa,
    compute_robust_slope,
    compute_rough_sd,
    find_steps,
    level_steps,
    smooth_heights,
)
from tests.unit.walks import wander

heights = st.lists(st.floats(-400, 8000), min_size=1, max_size=80).map(np.array)


def climb(*values: float, threshold_m: float) -> tuple[float, float]:
    found = accumulate_climb(np.array(values), threshold_m=threshold_m)
    return found.ascent_m, found.descent_m


def test_small_steps_count_once_they_add_up() -> None:
    # 0, 1, 2, 3: the first three metres count at once; what is left, 1 m, does not.
    assert climb(0, 1, 2, 3, 4, threshold_m=3.0) == (3.0, 0.0)
    assert climb(0, 2, 0, 2, 0, threshold_m=3.0) == (0.0, 0.0)
    assert climb(0, 5, 1, 9, threshold_m=3.0) == (13.0, 4.0)


def test_missing_heights_are_left_out() -> None:
    assert climb(0, np.nan, 10, np.nan, 4, threshold_m=1.0) == (10.0, 6.0)
    assert climb(np.nan, threshold_m=1.0) == (0.0, 0.0)
    assert accumulate_climb(np.empty(0), threshold_m=0.0).ascent_m == 0.0


@given(heights)
def test_without_threshold_every_step_counts(values: np.ndarray) -> None:
    found = accumulate_climb(values, threshold_m=0.0)
    steps = np.diff(values)
    assert found.ascent_m == pytest.approx(steps[steps > 0].sum(), abs=1e-6)
    assert found.ascent_m - found.descent_m == pytest.approx(values[-1] - values[0], abs=1e-6)


@given(heights, st.floats(0.5, 50))
def test_a_threshold_never_adds_and_keeps_the_balance(values: np.ndarray, threshold: float) -> None:
    found = accumulate_climb(values, threshold_m=threshold)
    raw = accumulate_climb(values, threshold_m=0.0)
    assert found.ascent_m <= raw.ascent_m + 1e-9
    assert found.descent_m <= raw.descent_m + 1e-9
    balance = found.ascent_m - found.descent_m
    assert abs(balance - (values[-1] - values[0])) <= threshold + 1e-9


@given(heights, st.floats(0.0, 50))
def test_upside_down_swaps_ascent_and_descent(values: np.ndarray, threshold: float) -> None:
    up, down = (accumulate_climb(sign * values, threshold_m=threshold) for sign in (1.0, -1.0))
    assert up.ascent_m == pytest.approx(down.descent_m)
    assert up.descent_m == pytest.approx(down.ascent_m)


def test_slope_is_that_of_most_and_not_of_the_wild_ones() -> None:
    at = np.arange(3600.0)
    values = 5.0 + at / 360.0
    values[1000:1200] += 80.0
    assert compute_robust_slope(at, values, width=60.0) == pytest.approx(1 / 360, rel=0.03)


def test_slope_survives_gaps_and_refuses_a_single_stretch() -> None:
    at = np.arange(3600.0)
    values = at * 0.5
    values[::7] = np.nan
    values[500:2000] = np.nan
    assert compute_robust_slope(at, values, width=60.0) == pytest.approx(0.5)
    assert np.isnan(compute_robust_slope(at[:30], values[:30], width=60.0))
    assert np.isnan(compute_robust_slope(at, np.full(3600, np.nan), width=60.0))
    # Ten hours: stretches get longer, the slope stays.
    long = np.arange(36_000.0)
    assert compute_robust_slope(long, long * 0.5, width=60.0) == pytest.approx(0.5)


def test_white_noise_on_a_slope_comes_back_with_its_own_spread() -> None:
    generator = np.random.default_rng(8)
    values = np.arange(20_000) * 0.3 + generator.normal(0, 0.7, 20_000)
    # Four standard errors of the spread of 20,000.
    assert compute_rough_sd(values, width=15) == pytest.approx(0.7, abs=4 * 0.7 / np.sqrt(40_000))
    assert np.isnan(compute_rough_sd(values[:15], width=15))
    assert np.isnan(compute_rough_sd(np.empty(0), width=15))
    assert np.isnan(compute_rough_sd(np.full(100, np.nan), width=15))


@given(st.floats(-500, 10_999))
def test_pressure_and_height_undo_each_other(height: float) -> None:
    back = compute_pressure_altitude_m(compute_pressure_pa(np.array([height])))
    assert back[0] == pytest.approx(height, abs=1e-6)


def test_no_pressure_and_the_stratosphere_have_no_height() -> None:
    found = compute_pressure_altitude_m(np.array([0.0, -5.0, np.nan, 10_000.0]))
    assert np.isnan(found).all()


@pytest.mark.parametrize("raw", [2549, 2554, 5108, 5113])
def test_a_step_of_just_the_threshold_counts_whatever_the_binary_fraction(raw: int) -> None:
    """FIT heights are fifths of a metre: 15 of them are 3 m, also where floats make it less."""
    heights = np.array([raw, raw + 15]) / 5 - 500
    assert accumulate_climb(heights, threshold_m=3.0).ascent_m == pytest.approx(3.0)
    assert accumulate_climb(heights[::-1], threshold_m=3.0).descent_m == pytest.approx(3.0)


def reverse(*values: float, threshold_m: float) -> tuple[float, float]:
    found = accumulate_reversals(np.array(values, float), threshold_m=threshold_m)
    return found.ascent_m, found.descent_m


def test_nothing_of_a_counted_climb_is_lost() -> None:
    assert reverse(0, 1, 2, 3, 4, threshold_m=3.0) == (4.0, 0.0)
    assert reverse(0, 2, 0, 2, 0, threshold_m=3.0) == (0.0, 0.0)
    assert reverse(0, 5, 1, 9, threshold_m=3.0) == (13.0, 4.0)
    # A dip of less than the threshold is part of the climb; so is what follows it.
    assert reverse(0, 5, 3, 9, 2, threshold_m=3.0) == (9.0, 7.0)
    assert reverse(np.nan, threshold_m=3.0) == (0.0, 0.0)


def test_turning_points_are_those_of_the_standard() -> None:
    # ASTM E1049-85, section 5.4.4, figure 6: peaks and valleys -2, 1, -3, 5, -1, 3, -4, 4, -2.
    assert reverse(-2, 1, -3, 5, -1, 3, -4, 4, -2, threshold_m=0.5) == (
        3.0 + 8.0 + 4.0 + 8.0,
        4.0 + 6.0 + 7.0 + 6.0,
    )


@given(heights, st.floats(0.5, 50))
def test_reversals_keep_the_balance_but_for_the_ends(values: np.ndarray, threshold: float) -> None:
    found = accumulate_reversals(values, threshold_m=threshold)
    balance = found.ascent_m - found.descent_m
    assert abs(balance - (values[-1] - values[0])) <= 2 * threshold + 1e-6
    assert found.ascent_m <= accumulate_climb(values, threshold_m=0.0).ascent_m + 1e-6


def make_hills(height_m: float, rng: np.random.Generator, n: int = 5400) -> np.ndarray:
    """Hills of about one height: smooth rises of 0.15 to 0.8 m/s, faster descents, and flats."""
    parts, level = [], 0.0
    while sum(part.size for part in parts) < n:
        rise = height_m * rng.uniform(0.6, 1.4)
        for sign, speed in ((1, rng.uniform(0.15, 0.8)), (-1, rng.uniform(0.3, 1.5))):
            lasts = max(20, int(rise / speed))
            wave = (1 - np.cos(np.pi * np.arange(1, lasts + 1) / lasts)) / 2
            parts.append(level + sign * rise * wave)
            level += sign * rise
            parts.append(np.full(int(rng.exponential(60)), level))
    return np.concatenate(parts)[:n]


@pytest.mark.parametrize("every_s", [1, 5])
@pytest.mark.parametrize("noise_m", [0.1, 0.3, 0.5])
@pytest.mark.parametrize(("height_m", "within_pct"), [(15, 4.0), (40, 2.0), (120, 1.0)])
def test_the_ascent_of_a_barometer_is_right(
    height_m: float, within_pct: float, noise_m: float, every_s: int
) -> None:
    errors = []
    for seed in range(4):
        rng = np.random.default_rng([int(height_m), seed])
        hills = make_hills(height_m, rng)
        true_m = accumulate_climb(hills, threshold_m=0.0).ascent_m
        seen = np.round((hills + wander(hills.size, rng, memory_s=15, sd=noise_m)) / 0.2) * 0.2
        seconds = np.arange(0.0, hills.size, every_s)
        smooth = smooth_heights(seconds, seen[::every_s], window_s=17.0)
        errors.append(accumulate_reversals(smooth, threshold_m=3.0).ascent_m / true_m - 1)
    assert abs(np.mean(errors)) * 100 <= within_pct


def test_a_step_that_nobody_climbs_is_no_ascent() -> None:
    heights_m = np.r_[np.full(100, 500.0), np.full(100, 545.0)]
    seconds = np.arange(200.0)
    assert find_steps(seconds, heights_m).sum() == 1
    smooth = smooth_heights(seconds, heights_m, window_s=17.0)
    assert accumulate_reversals(smooth, threshold_m=3.0).ascent_m == 0.0
    # In noise of a receiver that still lets a step be seen it is one, too.
    noisy = heights_m + np.random.default_rng(3).normal(0, 1.5, 200)
    assert np.flatnonzero(find_steps(seconds, noisy)).tolist() == [99]
    # The same height over a minute is a climb.
    slowly = np.r_[0.0:100.0, 160.0:260.0]
    assert not find_steps(slowly, heights_m).any()


@pytest.mark.parametrize("seed", range(5))
def test_heights_that_are_all_noise_have_no_steps_and_are_not_moved(seed: int) -> None:
    """As raw fixes of a receiver among houses: an SD of 10 m from second to second."""
    heights_m = 100 + np.random.default_rng(seed).normal(0, 10, 240)
    seconds = np.arange(240.0)
    assert not find_steps(seconds, heights_m).any()
    np.testing.assert_array_equal(level_steps(seconds, heights_m), heights_m)
