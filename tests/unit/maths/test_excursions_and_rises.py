"""Spikes, shifted stretches, rises and equal signals on series made by hand."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from tasks.maths.change_points import find_level_change, find_shifted_stretches
from tasks.maths.rises import Rise, find_rises, follow_rise
from tasks.maths.same_signal import compare_signals
from tasks.maths.spikes import find_spikes
from tests.unit.maths.published_nile import NILE

LIMITS = {"size": 10.0, "floor": 3.0, "shorter_than": 15.0}


def _noisy(n: int, seed: int, sd: float = 1.0) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, sd, n)


def test_the_level_of_the_nile_changes_after_1898() -> None:
    # Cobb 1978, Biometrika 65:243; break after observation 28 in R's strucchange (from memory).
    assert find_level_change(np.array(NILE, float)) == 28


def test_a_level_change_is_found_across_gaps_and_nothing_in_too_little() -> None:
    series = np.array([1.0, np.nan, 1, 1, np.nan, 9, 9, np.nan, 9])
    assert find_level_change(series) == 5
    assert find_level_change(np.array([np.nan, 3.0])) == 0
    assert find_level_change(np.empty(0)) == 0


def _shift(start: int, length: int, size: float) -> np.ndarray:
    """Return 800 s of errors of SD 1 that are shifted by `size` for a while."""
    error = _noisy(800, start)
    error[start : start + length] += size
    return error


#: The centred mean over 60 s has noise of SD 1 / sqrt(60) = 0.13; five of these keep the limit of 5
#: apart from what is smoothed beyond it and from what is not.
ROOM = 5 / np.sqrt(60)
SIGNS = st.sampled_from([-1, 1])


@given(st.integers(60, 400), st.integers(40, 200), st.floats(8, 25), SIGNS)
def test_a_shifted_stretch_is_found_with_sharp_ends(
    start: int, length: int, size: float, sign: int
) -> None:
    # 40 s of 8 are 5.33 in the mean over 60 s: noise alone can hide that.
    assume(size * min(length, 60) / 60 >= 5 + ROOM)
    error = _shift(start, length, sign * size)
    (found,) = find_shifted_stretches(error, limit=5, shortest=30, window=60)
    assert abs(found.start - start) <= 3
    assert abs(found.end - (start + length)) <= 3


@given(st.integers(60, 400), st.integers(30, 50), st.floats(5.5, 8), SIGNS)
def test_a_shifted_stretch_whose_mean_over_the_window_is_small_is_none(
    start: int, length: int, size: float, sign: int
) -> None:
    assume(size * length / 60 <= 5 - ROOM)
    error = _shift(start, length, sign * size)
    assert find_shifted_stretches(error, limit=5, shortest=30, window=60) == ()


def test_stretches_of_both_signs_that_touch_are_two() -> None:
    error = np.concatenate([np.zeros(100), np.full(90, 12.0), np.full(90, -12.0), np.zeros(100)])
    found = find_shifted_stretches(error, limit=5, shortest=30, window=60)
    assert [(run.start, run.end) for run in found] == [(100, 190), (190, 280)]


def test_a_stretch_that_lasts_to_the_border_ends_there() -> None:
    error = np.concatenate([np.zeros(100), np.full(90, 12.0)])
    (found,) = find_shifted_stretches(error, limit=5, shortest=30, window=60)
    assert (found.start, found.end) == (100, 190)


def test_short_small_or_missing_errors_are_no_stretch() -> None:
    short = np.zeros(200)
    short[50:70] = 12
    small = np.full(200, 4.5)
    for error in (short, small, np.full(200, np.nan), np.empty(0)):
        assert find_shifted_stretches(error, limit=5, shortest=30, window=60) == ()


@given(st.integers(40, 300), st.integers(1, 12), st.sampled_from([-30.0, -15.0, 15.0, 30.0]))
def test_a_spike_is_found_where_it_is_with_its_size(start: int, length: int, size: float) -> None:
    values = np.round(130 + _noisy(400, start))
    values[start : start + length] += size
    (found,) = find_spikes(values, **LIMITS)
    assert abs(found.run.start - start) <= 1
    assert abs(found.run.end - (start + length)) <= 1
    assert found.size == pytest.approx(size, abs=3)


def test_a_fast_rise_and_its_shoulder_are_no_spike() -> None:
    ramp = np.concatenate([np.full(200, 100.0), np.linspace(100, 170, 40), np.full(200, 170.0)])
    assert find_spikes(ramp + _noisy(440, 1), **LIMITS) == ()
    hill = np.concatenate([np.linspace(120, 150, 25), np.linspace(150, 120, 25)])
    assert (
        find_spikes(np.concatenate([np.full(100, 120.0), hill, np.full(100, 120.0)]), **LIMITS)
        == ()
    )


def test_a_long_excursion_is_no_spike() -> None:
    values = np.full(300, 120.0)
    values[100:120] = 150
    assert find_spikes(values, **LIMITS) == ()


def _ramp(low: float = 100, high: float = 140, seconds: int = 40) -> np.ndarray:
    return np.concatenate([np.full(120, low), np.linspace(low, high, seconds), np.full(120, high)])


def test_a_ramp_is_one_rise_from_its_foot_to_its_top() -> None:
    (found,) = find_rises(_ramp(), size=15, within=90)
    assert abs(found.start - 121) <= 4
    assert abs(found.end - 158) <= 4
    assert found.size == pytest.approx(36, abs=2)  # 5 to 95 % of 40


def test_stairs_are_several_rises_and_small_or_slow_ones_are_none() -> None:
    stairs = np.concatenate([_ramp(100, 125), _ramp(125, 150)])
    assert len(find_rises(stairs, size=15, within=90)) == 2
    assert find_rises(_ramp(100, 112), size=15, within=90) == ()
    assert find_rises(np.linspace(100, 180, 1800), size=15, within=90) == ()
    assert find_rises(np.full(50, np.nan), size=15, within=90) == ()
    assert find_rises(np.empty(0), size=15, within=90) == ()


def test_intervals_on_and_off_are_as_many_rises() -> None:
    levels = np.repeat([110.0, 170.0] * 5, 150)
    smooth = np.convolve(levels, np.ones(30) / 30, mode="valid")
    assert len(find_rises(smooth + _noisy(smooth.size, 3, 0.5), size=15, within=90)) == 5
    assert len(find_rises(-smooth, size=15, within=90)) == 4


@given(st.floats(0, 30), st.floats(-20, 20))
def test_a_shift_is_the_delay_whatever_the_bias(shift: float, bias: float) -> None:
    seconds = np.arange(400.0)
    reference = np.interp(seconds, [0, 120, 180, 400], [100, 100, 160, 160])
    test = np.interp(seconds - shift, [0, 120, 180, 400], [100, 100, 160, 160]) + bias
    (rise,) = find_rises(reference, size=15, within=90)
    found = follow_rise(reference, test, rise, patience=60, usual_offset=bias)
    assert found.delay_half == pytest.approx(shift, abs=0.1)
    assert found.offset == pytest.approx(bias, abs=1e-6)


def test_a_bias_before_the_rise_counts_when_it_is_far_from_the_usual_one() -> None:
    reference = _ramp()
    (rise,) = find_rises(reference, size=15, within=90)
    assert follow_rise(reference, reference + 8, rise, patience=60).offset == 8
    assert follow_rise(reference, reference + 2, rise, patience=60).offset == 0


def test_a_rise_that_is_not_followed_has_a_shortfall_and_no_delay() -> None:
    reference = _ramp()
    (rise,) = find_rises(reference, size=15, within=90)
    found = follow_rise(reference, np.full(reference.size, 100.0), rise, patience=60)
    assert np.isnan(found.delay_half)
    assert found.shortfall == pytest.approx(39, abs=1.5)


def test_a_rise_during_which_the_device_is_silent_is_not_judged() -> None:
    reference = _ramp()
    silent = np.full(reference.size, np.nan)
    found = follow_rise(reference, silent, Rise(121, 158, 102, 138), patience=60)
    assert np.isnan(found.delay_half)
    assert np.isnan(found.shortfall)


def test_one_signal_is_recognised_through_a_clock_that_is_2_s_off() -> None:
    signal = np.round(140 + 25 * np.sin(np.arange(1200) / 60))
    found = compare_signals(signal[:-2], signal[2:])
    assert found.is_same
    assert abs(found.shift) == 2
    assert found.share_equal == 1


def test_two_good_sensors_are_not_one_signal() -> None:
    truth = 140 + 25 * np.sin(np.arange(3600) / 60)
    for seed in range(5):
        first = np.round(truth + _noisy(3600, seed, 0.7))
        second = np.round(truth + _noisy(3600, seed + 100, 0.7))
        assert not compare_signals(first, second).is_same


def test_a_still_or_short_heart_rate_proves_nothing() -> None:
    assert not compare_signals(np.full(900, 60.0), np.full(900, 60.0)).is_same
    short = 100.0 + np.arange(100)
    assert np.isnan(compare_signals(short, short).share_equal)
