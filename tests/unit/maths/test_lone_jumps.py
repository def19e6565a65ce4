"""Single values that leave their neighbours and come back."""

from __future__ import annotations

import numpy as np

from tasks.maths.lone_jumps import find_lone_counts, find_lone_jumps, find_lone_places

SECONDS = np.arange(8.0)


def test_a_single_value_far_from_both_neighbours_is_found() -> None:
    values = np.array([120.0, 121, 122, 182, 123, 124, 125, 126])
    assert find_lone_jumps(SECONDS, values, least=40.0, reach_s=10.0).tolist() == [3]
    assert find_lone_jumps(SECONDS, values, least=70.0, reach_s=10.0).tolist() == []


def test_the_first_and_the_last_value_are_compared_with_those_beside_them() -> None:
    values = np.array([12.0, 121, 122, 122, 123, 124, 125, 216])
    assert find_lone_jumps(SECONDS, values, least=40.0, reach_s=10.0).tolist() == [0, 7]


def test_a_step_that_stays_and_a_gap_are_no_lone_jump() -> None:
    step = np.array([90.0, 90, 90, 160, 160, 160, 160, 160])
    assert find_lone_jumps(SECONDS, step, least=40.0, reach_s=10.0).size == 0
    alone = np.array([120.0, 180, 120])
    assert find_lone_jumps(np.array([0.0, 60, 120]), alone, least=40.0, reach_s=10.0).size == 0


def test_missing_values_are_passed_over() -> None:
    values = np.array([120.0, np.nan, 182, np.nan, 123, 124, np.nan, 126])
    assert find_lone_jumps(SECONDS, values, least=40.0, reach_s=10.0).tolist() == [2]
    assert find_lone_jumps(SECONDS, np.full(8, np.nan), least=1.0, reach_s=10.0).size == 0


def test_a_single_place_beyond_reach_is_found() -> None:
    # 1e-5 degrees of latitude are 1.1 m; 0.01 degrees 1.1 km.
    latitude = 50.0 + SECONDS * 3e-5
    longitude = np.full(8, 8.0)
    latitude[4] += 0.01
    found = find_lone_places(SECONDS, latitude, longitude, least_mps=100.0, reach_s=10.0)
    assert found.tolist() == [4]
    latitude[4] -= 0.01
    assert not find_lone_places(SECONDS, latitude, longitude, least_mps=100.0, reach_s=10.0).size


def test_a_count_that_leaves_its_neighbours_is_found() -> None:
    counts = 3.0 * SECONDS
    counts[5] = 1500.0
    assert find_lone_counts(SECONDS, counts, least=50.0, reach_s=10.0).tolist() == [5]
    assert find_lone_counts(SECONDS, 3.0 * SECONDS, least=50.0, reach_s=10.0).size == 0
