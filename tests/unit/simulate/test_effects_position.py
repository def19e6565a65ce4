"""Each effect on the position puts in what its manifest entry says."""

import numpy as np
import pytest

from tests.simulate.devices import Device, Recorded, record
from tests.simulate.effects_position import (
    Canopy,
    CornerCutting,
    FilteredPosition,
    LateFirstFix,
    PositionDelay,
    PositionGap,
    PositionJump,
    PositionNoise,
    PositionOffset,
    SideOffset,
    StuckFix,
)
from tests.simulate.script import Workout
from tests.simulate.trace import Effect


def wear(workout: Workout, *effects: Effect) -> Recorded:
    return record(Device("alder-1", "Alder 1", effects=effects), workout, seed=5)


def error_m(held: Recorded) -> np.ndarray:
    truth = held.workout.sample(held.true_s)
    return np.array(
        [
            held.channels["east_m"] - truth["east_m"],
            held.channels["north_m"] - truth["north_m"],
        ]
    )


def test_an_offset_moves_every_fix_by_the_same(square: Workout) -> None:
    error = error_m(wear(square, PositionOffset(3.0, -4.0)))
    np.testing.assert_allclose(error[0], 3.0)
    np.testing.assert_allclose(error[1], -4.0)


def test_a_side_offset_to_the_left_lies_inside_a_left_turning_square(square: Workout) -> None:
    held = wear(square, SideOffset(2.0))
    assert np.hypot(*error_m(held)) == pytest.approx(2.0, abs=1e-6)
    inside = (held.channels["east_m"] > 0.0) & (held.channels["east_m"] < 250.0)
    assert inside.all()


def test_white_noise_has_its_deviation(square: Workout) -> None:
    error = error_m(wear(square, PositionNoise(2.0)))
    # 1,202 values: the SD of an SD is 2 %.
    assert error.std() == pytest.approx(2.0, rel=0.08)


def test_canopy_adds_noise_only_between_its_ends(square: Workout) -> None:
    error = np.hypot(*error_m(wear(square, Canopy(200.0, 400.0, 5.0))))
    assert error[:200].max() == 0.0
    assert error[401:].max() == 0.0
    assert error[240:360].mean() > 2.0


def test_a_late_position_is_that_of_some_seconds_ago(square: Workout) -> None:
    held = wear(square, PositionDelay(3.0))
    truth = square.sample(held.true_s)
    np.testing.assert_allclose(held.channels["east_m"][3:], truth["east_m"][:-3])


def test_a_jump_a_gap_and_a_stuck_fix_last_as_long_as_they_say(square: Workout) -> None:
    held = wear(square, PositionJump(100.0, 110.0, 30.0, 40.0), StuckFix(200.0, 230.0),
                PositionGap(300.0, 320.0), LateFirstFix(6.0))  # fmt: skip
    error = np.hypot(*error_m(held))
    assert error[100:110] == pytest.approx(50.0)
    assert len(np.unique(held.latitude_deg[200:230])) == 1
    assert np.flatnonzero(np.isnan(error)).tolist() == [*range(6), *range(300, 320)]
    assert np.isnan(held.latitude_deg).sum() == 26
    assert np.isnan(held.longitude_deg).sum() == 26


def test_a_cut_corner_is_as_deep_as_the_manifest_says(square: Workout) -> None:
    held = wear(square, CornerCutting(15))
    cuts = [entry for entry in held.entries if entry.kind == "cut_corner"]
    assert cuts
    # A mean over L metres about a sharp right angle passes L / (4 sqrt 2) from it; rounding the
    # corner with 3 m takes off less than 3 * (sqrt 2 - 1) = 1.2 m and shortens the line.
    middle = int(cuts[0].start_s) + 5
    length_m = float(square.speed_mps[middle - 7 : middle + 8].sum())
    assert cuts[0].size == pytest.approx(length_m / (4 * 2**0.5), abs=1.3)


def test_corners_are_not_cut_by_a_window_of_one_second(square: Workout) -> None:
    held = wear(square, CornerCutting(1))
    assert {entry.kind for entry in held.entries} == {"softened_corner"}
    assert max(entry.size for entry in held.entries) < 0.6  # half a second's chord on 3 m radius
    assert np.abs(error_m(held)).max() < 1e-9


def test_a_filter_swings_wide_behind_a_corner(square: Workout) -> None:
    held = wear(square, FilteredPosition())
    assert held.channels["east_m"].max() > 250.5
    assert np.abs(error_m(held)).max() < 15.0
