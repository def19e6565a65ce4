"""Quantiles, jumps and the middle of several positions."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tasks.maths.positions import (
    Jump,
    compute_2drms_m,
    compute_geometric_median,
    compute_rice_mean_m,
    compute_weighted_quantile,
    find_jumps,
)


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=60), st.floats(0, 1))
def test_equal_weights_give_the_quantile_of_type_five(values: list[float], share: float) -> None:
    array = np.array(values)
    found = compute_weighted_quantile(array, np.full(array.size, 3.0), share)
    expected = np.quantile(array, share, method="hazen")
    assert found == pytest.approx(expected, rel=1e-9, abs=1e-6)


def test_a_value_counts_as_long_as_it_holds() -> None:
    values, weights = np.array([1.0, 5.0, 9.0]), np.array([1.0, 8.0, 1.0])
    assert compute_weighted_quantile(values, weights, 0.5) == 5.0
    assert np.isnan(compute_weighted_quantile(np.empty(0), np.empty(0), 0.5))
    assert np.isnan(compute_weighted_quantile(values, np.zeros(3), 0.5))


def test_2drms_is_twice_the_root_of_the_mean_square() -> None:
    # By hand: errors of 5 m and 13 m: 2 sqrt((25 + 169) / 2).
    assert compute_2drms_m(np.array([3.0, 5.0]), np.array([4.0, 12.0])) == pytest.approx(
        2 * np.sqrt(97)
    )
    assert np.isnan(compute_2drms_m(np.empty(0), np.empty(0)))


def test_distance_without_noise_is_the_distance() -> None:
    assert compute_rice_mean_m(7.0, 0.0) == 7.0
    # Rayleigh: sd sqrt(pi / 2) about no distance.
    assert compute_rice_mean_m(0.0, 2.0) == pytest.approx(2 * np.sqrt(np.pi / 2))
    # No overflow far from the origin.
    assert compute_rice_mean_m(1e5, 1.0) == pytest.approx(1e5, rel=1e-9)


# --- jumps ------------------------------------------------------------------------------------
def find(east: list[float], **options: object) -> tuple[Jump, ...]:
    n = len(east)
    given_values: dict[str, object] = {
        "seconds": np.arange(n, dtype=np.float64), "piece": np.zeros(n), "longest_s": 120.0,
        **options,
    }  # fmt: skip
    return find_jumps(
        given_values.pop("seconds"),  # type: ignore[arg-type]
        np.array(east),
        np.zeros(n),
        max_speed_mps=12.0,
        slack_m=15.0,
        **given_values,  # type: ignore[arg-type]
    )


def test_way_out_and_back_are_one_jump() -> None:
    assert find([0, 3, 106, 109, 112, 15, 18]) == (Jump(1, 5, 103.0, returned=True),)


def test_jump_that_stays_is_one_step() -> None:
    assert find([0, 3, 106, 109, 112, 115]) == (Jump(1, 2, 103.0, returned=False),)


def test_two_jumps_in_a_row_are_two() -> None:
    jumps = find([0, 3, 106, 109, 12, 15, 118, 121, 24])
    assert [(jump.before, jump.after) for jump in jumps] == [(1, 4), (5, 8)]


def test_step_within_speed_and_slack_is_no_jump() -> None:
    # 12 m/s and 15 m in a second.
    assert find([0, 27, 0]) == ()
    assert len(find([0, 27.1])) == 1


def test_way_through_a_pause_or_a_gap_is_no_jump() -> None:
    assert find([0, 500, 503], piece=np.array([0.0, 1.0, 1.0])) == ()
    assert find([0, 500, 503], seconds=np.array([0.0, 60.0, 61.0])) == ()


def test_way_back_after_too_long_is_a_jump_of_its_own() -> None:
    jumps = find([0, 3, 106, 109, 12], seconds=np.array([0.0, 1, 2, 150, 151]), longest_s=120.0)
    assert [jump.returned for jump in jumps] == [False, False]


def test_fewer_than_two_fixes_do_not_jump() -> None:
    assert find([]) == ()
    assert find([5.0]) == ()


# --- middle of several ------------------------------------------------------------------------
def test_middle_of_two_is_halfway() -> None:
    east, north = compute_geometric_median(np.array([[0.0], [4.0]]), np.array([[0.0], [2.0]]))
    assert (east[0], north[0]) == pytest.approx((2.0, 1.0), abs=1e-3)


def test_one_wild_point_moves_the_middle_little() -> None:
    east = np.array([[0.0], [1.0], [0.0], [1.0], [1000.0]])
    north = np.array([[0.0], [0.0], [1.0], [1.0], [1000.0]])
    middle = compute_geometric_median(east, north)
    assert np.hypot(middle[0][0] - 0.5, middle[1][0] - 0.5) < 0.8


def test_missing_points_are_left_out_and_none_is_nowhere() -> None:
    east = np.array([[0.0, np.nan, np.nan], [2.0, 5.0, np.nan]])
    north = np.array([[0.0, 1.0, np.nan], [0.0, 7.0, np.nan]])
    middle_east, middle_north = compute_geometric_median(east, north)
    assert middle_east[1] == pytest.approx(5.0)
    assert middle_north[1] == pytest.approx(7.0)
    assert np.isnan(middle_east[2])
    assert np.isnan(compute_geometric_median(east[:, 2:], north[:, 2:])[0]).all()


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 10_000), st.integers(3, 6))
def test_no_place_nearby_has_a_smaller_sum_of_distances(seed: int, n: int) -> None:
    generator = np.random.default_rng(seed)
    east, north = generator.normal(0, 10, (n, 1)), generator.normal(0, 10, (n, 1))
    middle_east, middle_north = compute_geometric_median(east, north)

    def add_up(x: float, y: float) -> float:
        return float(np.hypot(east - x, north - y).sum())

    least = add_up(middle_east[0], middle_north[0])
    for angle in np.linspace(0, 2 * np.pi, 16, endpoint=False):
        step = 0.5 * np.array([np.cos(angle), np.sin(angle)])
        # Where one of the points is the best place, the search comes near it slowly.
        assert least <= add_up(middle_east[0] + step[0], middle_north[0] + step[1]) + 0.1
