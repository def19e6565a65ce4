"""Uneven stamps to a grid, and time-weighted means."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tasks.maths.resample import (
    average_per_second,
    compute_hold_weights,
    compute_time_weighted_mean,
    interpolate_to_grid,
    round_to_seconds,
)


def test_stamps_are_rounded_never_cut() -> None:
    stamps = np.array([999_999, 1_000_000, 1_499_999, 1_500_000, -400_000])
    assert round_to_seconds(stamps).tolist() == [1, 1, 1, 2, 0]


def test_samples_of_one_second_are_averaged_in_any_order() -> None:
    seconds, means = average_per_second(
        np.array([3, 1, 3, 1, 2]), np.array([10.0, 4.0, 20.0, 6.0, np.nan])
    )
    assert seconds.tolist() == [1, 3]
    assert means.tolist() == [5.0, 15.0]
    assert average_per_second(np.empty(0, int), np.empty(0))[0].size == 0
    with pytest.raises(ValueError, match="one shape"):
        average_per_second(np.array([1]), np.array([1.0, 2.0]))


def test_short_gaps_are_bridged_and_long_ones_stay_missing() -> None:
    carried = interpolate_to_grid(
        np.arange(0, 14), np.array([2, 4, 10, 11]), np.array([100.0, 110, 120, 122]), max_gap_s=5
    )
    expected = [np.nan] * 2 + [100, 105, 110] + [np.nan] * 5 + [120, 122] + [np.nan] * 2
    np.testing.assert_array_equal(carried, expected)


def test_a_missing_value_between_two_present_ones_is_bridged() -> None:
    carried = interpolate_to_grid(
        np.arange(3), np.arange(3), np.array([1.0, np.nan, 3.0]), max_gap_s=5
    )
    assert carried.tolist() == [1.0, 2.0, 3.0]


def test_a_single_sample_stands_alone_and_none_gives_nothing() -> None:
    alone = interpolate_to_grid(np.arange(3), np.array([1]), np.array([7.0]), max_gap_s=5)
    np.testing.assert_array_equal(alone, [np.nan, 7.0, np.nan])
    none = interpolate_to_grid(np.arange(3), np.empty(0), np.empty(0), max_gap_s=5)
    assert np.isnan(none).all()


@given(st.lists(st.integers(0, 200), min_size=2, max_size=30, unique=True), st.integers(1, 10))
def test_carried_values_stay_between_their_neighbours(stamps: list[int], max_gap: int) -> None:
    at = np.sort(np.array(stamps))
    values = np.cos(at) * 50 + 120
    carried = interpolate_to_grid(np.arange(201), at, values, max_gap_s=max_gap)
    np.testing.assert_allclose(carried[at], values)
    present = np.isfinite(carried)
    assert not present[: at[0]].any()
    assert not present[at[-1] + 1 :].any()
    for left, right in itertools.pairwise(at):
        between = carried[left + 1 : right]
        if right - left > max_gap:
            assert np.isnan(between).all()
        else:
            low, high = sorted((values[at == left][0], values[at == right][0]))
            assert ((between >= low - 1e-9) & (between <= high + 1e-9)).all()


def test_uneven_samples_are_weighed_by_the_time_they_hold() -> None:
    # By pencil: 100 for 1 s, 100 for 1 s, 130 for 8 s, the last (160) for the median step, 1 s;
    # 1400 over 11.
    at, values = np.array([0.0, 1, 2, 10]), np.array([100.0, 100, 130, 160])
    assert compute_hold_weights(at, max_hold_s=60).tolist() == [1, 1, 8, 1]
    assert compute_time_weighted_mean(at, values, max_hold_s=60) == pytest.approx(1400 / 11)


def test_a_value_does_not_hold_through_a_long_pause() -> None:
    at, values = np.array([0.0, 600, 601]), np.array([90.0, 150, 150])
    weighted = compute_time_weighted_mean(at, values, max_hold_s=10)
    # 90 for 10 s, 150 for 1 s, 150 for the median step 300.5 cut to 10 s.
    assert weighted == pytest.approx((900 + 150 + 1500) / 21)


def test_even_samples_have_their_plain_mean() -> None:
    values = np.array([100.0, 110, 120, 170])
    assert compute_time_weighted_mean(np.arange(4.0), values, max_hold_s=10) == 125
    assert compute_time_weighted_mean(np.array([5.0]), np.array([99.0]), max_hold_s=10) == 99
    assert np.isnan(compute_time_weighted_mean(np.empty(0), np.empty(0), max_hold_s=10))
    assert compute_time_weighted_mean(np.zeros(2), np.array([1.0, 3.0]), max_hold_s=10) == 2
