"""Each effect on distance, height, lengths and battery puts in what it says."""

import numpy as np
import pytest

from tests.simulate.devices import Device, Recorded, record
from tests.simulate.effects_other import (
    Barometer,
    BatteryDrain,
    OwnAscent,
    PoolCounter,
    ScaledDistance,
    SpeedBias,
    SpeedDelay,
    StrokeMisread,
    TreadmillEstimate,
)
from tests.simulate.script import Workout
from tests.simulate.trace import Effect


def wear(workout: Workout, *effects: Effect) -> Recorded:
    return record(Device("alder-2", "Alder 2", effects=effects), workout, seed=5)


def test_own_distance_is_the_scaled_truth(laps: Workout) -> None:
    held = wear(laps, ScaledDistance(1.02))
    assert held.channels["distance_m"][-1] == pytest.approx(2040.0)
    assert held.entries[0].size == pytest.approx(2.0)


def test_a_treadmill_estimate_says_by_how_much_it_is_off(laps: Workout) -> None:
    held = wear(laps, TreadmillEstimate(3.0, -5.0, 1.0))
    off_pct = (held.channels["distance_m"][-1] / 2000.0 - 1.0) * 100.0
    assert held.entries[0].size == pytest.approx(off_pct)
    fast = laps.speed_mps > 3.2
    assert (held.channels["speed_mps"][fast] < laps.speed_mps[fast]).all()


def test_speed_is_biased_and_late_as_asked(laps: Workout) -> None:
    biased = wear(laps, SpeedBias(0.2)).channels["speed_mps"]
    moving = laps.speed_mps > 0.3
    np.testing.assert_allclose(biased[moving] - laps.speed_mps[moving], 0.2)
    late = wear(laps, SpeedDelay(4.0)).channels["speed_mps"]
    np.testing.assert_allclose(late[4:], laps.speed_mps[:-4])


def test_a_barometer_is_off_by_its_constant_and_its_drift(laps: Workout) -> None:
    held = wear(laps, Barometer(offset_m=7.0, drift_m_per_h=12.0))
    off = held.channels["altitude_m"] - laps.sample(held.true_s)["altitude_m"]
    assert off[0] == 7.0
    assert off[600] == pytest.approx(7.0 + 12.0 / 6.0)


def test_weather_comes_and_stays(laps: Workout) -> None:
    held = wear(laps, Barometer(weather_m=-9.0))
    off = held.channels["altitude_m"] - laps.sample(held.true_s)["altitude_m"]
    assert off[0] == 0.0
    assert off[-1] == pytest.approx(-9.0)


def test_own_ascent_on_the_flat_is_none(laps: Workout) -> None:
    assert wear(laps, OwnAscent(1.1)).totals["ascent_m"] == 0.0


def test_a_missed_and_a_split_length_change_the_count(lengths: Workout) -> None:
    held = wear(lengths, PoolCounter(missed=(4,), split=(9, 10)))
    assert len(lengths.pool_lengths) == 12
    assert len(held.lengths) == 13
    assert held.channels["distance_m"][-1] == pytest.approx(13 * 25.0)
    assert [entry.size for entry in held.entries] == [-1.0, 1.0, 1.0]
    assert sum(length.strokes for length in held.lengths) == sum(
        length.strokes for length in lengths.pool_lengths
    )


def test_a_stroke_is_misread_only_where_asked(lengths: Workout) -> None:
    held = wear(lengths, StrokeMisread((7,), "butterfly"))
    assert [length.stroke for length in held.lengths] == [
        *["freestyle"] * 6, "butterfly", *["backstroke"] * 5,
    ]  # fmt: skip


def test_a_battery_falls_at_its_rate_in_whole_percent(laps: Workout) -> None:
    held = wear(laps, BatteryDrain(30.0, 80.0))
    times = np.array([at for at, _, _ in held.battery])
    levels = np.array([percent for _, percent, _ in held.battery])
    assert levels[0] == 80
    assert np.abs(80.0 - 30.0 * times / 3600.0 - levels).max() < 1.0
    assert (np.diff(levels) <= 0).all()
