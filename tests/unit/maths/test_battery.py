"""Battery rates from whole-percent levels: by hand, and laws."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tasks.maths.battery import (
    agree,
    find_changes,
    measure_from_changes,
    measure_from_ends,
    measure_shared_range,
    narrow,
    was_charged,
)


def read(*levels: float, every_s: float = 600.0) -> tuple[np.ndarray, np.ndarray]:
    return np.arange(len(levels)) * every_s, np.array(levels, dtype=float)


def test_the_rate_is_that_between_the_first_and_the_last_change() -> None:
    # Changes after 15 and 55 min (middles of the reading intervals): 2 % in 40 min = 3 %/h.
    found = measure_from_changes(*read(90, 90, 89, 89, 88, 88, 87))
    assert found is not None
    assert found.rate == pytest.approx(3.0)
    assert (found.from_pct, found.to_pct) == (89.0, 87.0)


def test_the_bounds_are_the_farthest_and_the_nearest_instants_of_the_changes() -> None:
    found = measure_from_changes(*read(90, 90, 89, 89, 88, 88, 87))
    assert found is not None
    # By hand: 2 % in at most 50 min, at least 30 min.
    assert found.low == pytest.approx(2.4)
    assert found.high == pytest.approx(4.0)


def test_a_level_that_flickers_is_changed_once() -> None:
    changes = find_changes(*read(90, 89, 90, 89, 90, 88))
    assert [change.level_pct for change in changes] == [89.0, 88.0]


def test_one_change_gives_no_rate() -> None:
    assert measure_from_changes(*read(90, 90, 89, 89)) is None


def test_no_reading_gives_no_rate() -> None:
    assert measure_from_changes(*read()) is None
    assert not was_charged(np.array([]))


def test_changes_at_neighbouring_readings_set_no_upper_bound() -> None:
    found = measure_from_changes(*read(90, 89, 88))
    assert found is not None
    assert found.high == math.inf


def test_a_rise_of_two_percent_is_a_charge_and_one_percent_is_not() -> None:
    assert was_charged(np.array([50.0, 48.0, 50.0]))
    assert not was_charged(np.array([50.0, 48.0, 49.0, 48.0]))


def test_two_levels_are_off_by_up_to_one_percent_together() -> None:
    # By hand: 96 to 81 % in 5 h.
    found = measure_from_ends(96, 81, duration_s=5 * 3600, method="notes")
    assert (found.rate, found.low, found.high) == pytest.approx((3.0, 2.8, 3.2))
    assert found.hours_from_full == pytest.approx(100 / 3)
    assert found.hours_bounds == pytest.approx((31.25, 35.714285714))


def test_a_level_that_did_not_move_still_has_an_upper_bound() -> None:
    found = measure_from_ends(50, 50, duration_s=7200, method="notes")
    assert (found.rate, found.low, found.high) == (0.0, 0.0, 0.5)
    assert found.hours_from_full == math.inf
    assert found.hours_bounds == (200.0, math.inf)


def test_rising_levels_and_no_time_are_refused() -> None:
    with pytest.raises(ValueError, match="rises"):
        measure_from_ends(50, 60, duration_s=3600, method="notes")
    with pytest.raises(ValueError, match="positive"):
        measure_from_ends(60, 50, duration_s=0, method="notes")


def test_two_sources_narrow_each_other() -> None:
    wide = measure_from_ends(60, 56, duration_s=3600, method="ends")  # 4, 3 to 5
    other = measure_from_ends(91, 82, duration_s=2 * 3600, method="notes")  # 4.5, 4 to 5
    found = narrow(wide, other)
    assert (found.rate, found.low, found.high) == pytest.approx((4.0, 4.0, 5.0))


def test_sources_that_contradict_each_other_narrow_nothing() -> None:
    slow = measure_from_ends(60, 58, duration_s=3600, method="ends")
    fast = measure_from_ends(60, 50, duration_s=3600, method="notes")
    assert not agree(slow, fast)
    assert narrow(slow, fast) == slow


@pytest.mark.parametrize(
    ("first", "second", "shared"),
    [((90, 80), (85, 75), 0.5), ((90, 80), (80, 70), 0.0), ((90, 60), (80, 70), 1.0)],
)
def test_shared_range_is_a_share_of_the_narrower_one(
    first: tuple[float, float], second: tuple[float, float], shared: float
) -> None:
    one, other = (
        measure_from_ends(*ends, duration_s=60, method="ends") for ends in (first, second)
    )
    assert measure_shared_range(one, other) == pytest.approx(shared)
    assert measure_shared_range(other, one) == pytest.approx(shared)


@given(
    rate=st.floats(1.0, 11.0),
    start=st.floats(60.0, 100.0),
    hours=st.floats(1.0, 5.0),
    every_s=st.sampled_from([30.0, 60.0, 300.0, 420.0]),
    rounding=st.sampled_from([np.floor, np.ceil, np.round]),
)
def test_a_steady_rate_always_lies_inside_the_bounds(
    rate: float, start: float, hours: float, every_s: float, rounding: np.ufunc
) -> None:
    seconds = np.arange(0.0, hours * 3600.0, every_s)
    level = np.clip(start - rate * seconds / 3600.0, 0.0, 100.0)
    found = measure_from_changes(seconds, rounding(level))
    if found is not None:
        assert found.low - 1e-9 <= rate <= found.high + 1e-9
        assert found.low <= found.rate <= found.high
    ends = rounding(level)[[0, -1]].tolist()
    both = measure_from_ends(*ends, duration_s=float(seconds[-1]), method="ends")
    assert both.low - 1e-9 <= rate <= both.high + 1e-9


@given(shift_s=st.floats(-1e6, 1e6))
def test_a_shifted_clock_changes_no_rate(shift_s: float) -> None:
    seconds, level = read(90, 90, 89, 88, 88, 87)
    moved = measure_from_changes(seconds + shift_s, level)
    still = measure_from_changes(seconds, level)
    assert moved is not None
    assert still is not None
    assert moved.rate == pytest.approx(still.rate)
