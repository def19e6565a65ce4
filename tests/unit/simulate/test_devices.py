"""A device without effects holds the truth; what is switched on is in the manifest."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.simulate.devices import Clock, Device, Recorded, record
from tests.simulate.effects_heart_rate import ConstantBias, SensorNoise
from tests.simulate.effects_other import (
    AutomaticDetection,
    AutoPause,
    BackdatedStart,
    EarlyStop,
    LateStart,
    SmartSampling,
)
from tests.simulate.script import Workout

PLAIN = Device("alder-2", "Alder 2", serial=7)


def find(recorded: Recorded, kind: str) -> list[float]:
    return [entry.size for entry in recorded.entries if entry.kind == kind]


def test_without_effects_a_device_holds_the_truth(laps: Workout) -> None:
    held = record(PLAIN, laps, seed=3)
    truth = laps.sample(laps.time_s)
    assert held.entries == ()
    for channel in ("heart_rate_bpm", "speed_mps", "distance_m", "altitude_m", "cadence_per_min"):
        np.testing.assert_array_equal(held.channels[channel], truth[channel])
    np.testing.assert_array_equal(
        (held.latitude_deg, held.longitude_deg),
        laps.place.to_degrees(truth["east_m"], truth["north_m"]),
    )


@settings(max_examples=25, deadline=None)
@given(st.floats(-30.0, 30.0), st.floats(-200.0, 200.0), st.integers(-14, 14))
def test_a_wrong_clock_moves_times_and_nothing_else(
    laps: Workout, ahead_s: float, drift_ppm: float, hours: int
) -> None:
    clock = Clock(ahead_s, drift_ppm, hours * 3600.0)
    held = record(replace(PLAIN, clock=clock), laps, seed=3)
    np.testing.assert_allclose(clock.read(held.true_s) + laps.start_utc.timestamp(),
                               held.clock_unix_s, atol=1e-3)  # fmt: skip
    np.testing.assert_allclose(
        held.channels["heart_rate_bpm"],
        np.interp(held.true_s, laps.time_s, laps.heart_rate_bpm),
    )


def test_the_same_seed_gives_the_same_values(laps: Workout) -> None:
    noisy = PLAIN.with_effects(SensorNoise(2.0))
    first, again = record(noisy, laps, seed=3), record(noisy, laps, seed=3)
    other = record(noisy, laps, seed=4)
    np.testing.assert_array_equal(
        first.channels["heart_rate_bpm"], again.channels["heart_rate_bpm"]
    )
    assert (first.channels["heart_rate_bpm"] != other.channels["heart_rate_bpm"]).any()


def test_an_effect_behind_does_not_move_the_draws_of_one_before(laps: Workout) -> None:
    alone = record(PLAIN.with_effects(SensorNoise(2.0)), laps, seed=3)
    both = record(PLAIN.with_effects(SensorNoise(2.0), ConstantBias(5.0)), laps, seed=3)
    np.testing.assert_allclose(
        both.channels["heart_rate_bpm"] - alone.channels["heart_rate_bpm"], 5.0
    )


def test_a_late_start_takes_the_first_seconds_and_their_distance(laps: Workout) -> None:
    held = record(PLAIN.with_effects(LateStart(40.0)), laps, seed=3)
    assert held.true_s[0] == 40.0
    assert held.channels["distance_m"][0] == 0.0
    assert held.channels["distance_m"][-1] == pytest.approx(2000.0 - laps.distance_m[40])
    assert find(held, "late_start") == [40.0]


def test_detection_credits_the_share_that_it_says(laps: Workout) -> None:
    held = record(PLAIN.with_effects(AutomaticDetection(100.0, credit=0.25)), laps, seed=3)
    assert held.true_s[0] == 100.0
    assert held.channels["distance_m"][0] == pytest.approx(0.25 * laps.distance_m[100])
    assert held.channels["distance_m"][-1] == pytest.approx(2000.0 - 0.75 * laps.distance_m[100])


def test_a_backdated_start_fills_even_samples_without_a_heart_rate(laps: Workout) -> None:
    held = record(PLAIN.with_effects(BackdatedStart(100.0, 40.0, 60.0)), laps, seed=3)
    assert held.true_s[0] == 60.0
    assert np.isnan(held.channels["heart_rate_bpm"][:40]).all()
    np.testing.assert_allclose(np.diff(held.channels["distance_m"][:41]), 1.5)
    assert held.channels["distance_m"][-1] == pytest.approx(2060.0 - laps.distance_m[100])


def test_an_early_stop_takes_the_last_seconds(laps: Workout) -> None:
    held = record(PLAIN.with_effects(EarlyStop(25.0)), laps, seed=3)
    assert held.true_s[-1] == laps.duration_s - 25.0


def test_auto_pause_writes_nothing_while_standing(laps: Workout) -> None:
    held = record(PLAIN.with_effects(AutoPause()), laps, seed=3)
    (pause,) = held.pauses
    inside = (held.true_s > pause[0]) & (held.true_s < pause[1])
    assert not inside.any()
    assert find(held, "auto_pause") == [pause[1] - pause[0]]
    # The athlete stood for 60 s less the seconds of slowing down and of the device's patience.
    assert 35.0 < pause[1] - pause[0] < 60.0


def test_smart_sampling_writes_every_one_to_nine_seconds(laps: Workout) -> None:
    held = record(PLAIN.with_effects(SmartSampling(9)), laps, seed=3)
    steps = np.diff(held.true_s)
    assert steps.min() >= 1.0
    assert steps.max() <= 9.0
    assert len(np.unique(steps)) > 5


def test_a_device_without_a_channel_does_not_write_it(laps: Workout) -> None:
    held = record(Device("hazel", "Hazel", channels=("heart_rate_bpm",)), laps, seed=3)
    assert set(held.channels) == {"heart_rate_bpm"}
    assert not held.has("position")


def test_laps_of_a_device_add_up_to_its_distance(laps: Workout) -> None:
    held = record(PLAIN, laps, seed=3)
    assert sum(lap.distance_m for lap in held.laps) == pytest.approx(2000.0)
    assert len(held.laps) == 2


def test_a_device_on_lane_one_passes_the_start_every_400_metres(laps: Workout) -> None:
    held = record(PLAIN, laps, seed=3)
    east, north = held.channels["east_m"], held.channels["north_m"]
    nearest = [
        float(np.hypot(east[index], north[index]))
        for index in (int(np.argmin(np.abs(laps.distance_m - 400.0 * lap))) for lap in range(6))
    ]
    assert max(nearest) < 2.0  # half of a second's way at 3.4 m/s, rounded up
