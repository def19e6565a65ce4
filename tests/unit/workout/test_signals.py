"""Channels per second: what is averaged, bridged, derived, and what is not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyarrow as pa
import pytest

from tasks.workout.signals import Signal, read_signal, read_speed, read_track, wrap_longitude
from tests.unit.walks import START_S, Walk, make_walk, record, smooth

WALK = make_walk(600, seed=51)


def test_a_cut_fills_with_missing_outside() -> None:
    signal = Signal(10, np.array([1.0, 2.0, 3.0]))
    np.testing.assert_array_equal(signal.cut(9, 12), [np.nan, 1.0, 2.0])
    np.testing.assert_array_equal(signal.cut(12, 14), [3.0, np.nan])
    assert np.isnan(signal.cut(0, 5)).all()
    assert signal.cut(20, 10).size == 0


def test_a_channel_that_was_not_recorded_is_none() -> None:
    assert read_signal(record(WALK, "speed_mps"), "power_w", max_gap_s=10) is None
    assert read_track(record(WALK, "speed_mps"), max_gap_s=10) is None
    assert read_speed(record(WALK, "power_w"), max_gap_s=10) is None


def test_gaps_are_bridged_up_to_the_limit() -> None:
    gappy = record(WALK, "power_w")
    kept = np.ones(gappy.samples.num_rows, dtype=bool)
    kept[100:103] = False
    gappy = replace(gappy, samples=gappy.samples.filter(pa.array(kept)))
    signal = read_signal(gappy, "power_w", max_gap_s=4)
    assert signal is not None
    assert np.isfinite(signal.values).all()
    signal = read_signal(gappy, "power_w", max_gap_s=3)
    assert signal is not None
    assert np.isnan(signal.values).sum() == 3


def test_a_device_with_a_rhythm_has_no_gap_between_two_of_its_samples() -> None:
    signal = read_signal(record(WALK, "power_w", every=4), "power_w", max_gap_s=3)
    assert signal is not None
    assert np.isfinite(signal.values).all()


def test_a_shift_moves_the_start_only() -> None:
    here = read_signal(record(WALK, "power_w"), "power_w", max_gap_s=10)
    there = read_signal(record(WALK, "power_w"), "power_w", max_gap_s=10, shift_s=7200.0)
    assert here is not None
    assert there is not None
    assert (here.start_s, there.start_s) == (START_S, START_S + 7200)
    np.testing.assert_array_equal(here.values, there.values)


@pytest.mark.parametrize("channels", ["distance_m", "latitude_deg longitude_deg"])
def test_derived_speed_is_right_and_not_late(channels: str) -> None:
    speed = read_speed(record(WALK, channels, seed=None), max_gap_s=10)
    assert speed is not None
    truth = smooth(WALK.channels["speed_mps"], 5)
    shifts = range(-4, 5)
    known = np.isfinite(speed.values)
    known[:10] = known[-10:] = False
    # The way of second t is the sum of the speeds up to and with t: centred half a second before.
    misses = [
        float(np.abs(speed.values[known] - np.roll(truth, shift)[known]).mean()) for shift in shifts
    ]
    assert abs(list(shifts)[int(np.argmin(misses))]) <= 1
    assert min(misses) < 0.15


def test_the_device_s_own_speed_goes_first() -> None:
    own = Walk({**WALK.channels, "speed_mps": np.full(600, 5.0)})
    speed = read_speed(record(own, "speed_mps distance_m", seed=None), max_gap_s=10)
    assert speed is not None
    assert set(speed.values) == {5.0}


def test_longitudes_are_averaged_and_bridged_across_the_date_line() -> None:
    walk = Walk(
        {
            "latitude_deg": np.zeros(5),
            "longitude_deg": np.array([179.998, 0.0, -179.998, 0.0, -179.994]),
        }
    )
    track = read_track(record(walk, "latitude_deg longitude_deg", seed=None, every=2), max_gap_s=10)
    assert track is not None
    assert track.longitude_deg.values == pytest.approx(
        [179.998, -180.0, -179.998, -179.996, -179.994], abs=1e-9
    )


def test_longitudes_inside_keep_every_bit() -> None:
    longitude = np.array([11.123456789012345, -180.0, 179.99999999])
    np.testing.assert_array_equal(wrap_longitude(longitude), longitude)
    assert wrap_longitude(np.array([180.0, 190.0, -190.0])).tolist() == [-180.0, -170.0, 170.0]


def make_beats(intervals_s: list[float]) -> dict[str, list[float]]:
    ends = START_S + np.cumsum(intervals_s)
    return {"time_utc": [round(end * 1e6) for end in ends], "rr_s": intervals_s}


def read_beats(intervals_s: list[float]) -> Signal | None:
    recording = record(
        WALK, "speed_mps", seed=None, last=60, tables={"beats": make_beats(intervals_s)}
    )
    return read_signal(recording, "heart_rate_bpm", max_gap_s=5)


def test_heart_rate_from_beats_is_sixty_seconds_by_the_mean_interval() -> None:
    # Nearly all windows hold as many short as long intervals: 60 / 0.5 = 120 bpm.
    signal = read_beats([0.45, 0.55] * 60)
    assert signal is not None
    assert np.nanmedian(signal.values) == pytest.approx(120.0, abs=0.5)


def test_one_missed_beat_does_not_halve_the_heart_rate() -> None:
    intervals = [0.5 + 0.002 * (k % 7) for k in range(120)]
    missed = [*intervals[:60], intervals[60] + intervals[61], *intervals[62:]]
    clean, broken = read_beats(intervals), read_beats(missed)
    assert clean is not None
    assert broken is not None
    seconds = slice(10, 50)
    assert np.abs(clean.values[seconds] - broken.values[seconds]).max() < 3.0


def test_samples_go_before_beats() -> None:
    recording = record(
        Walk({"heart_rate_bpm": np.full(60, 90.0)}),
        "heart_rate_bpm",
        seed=None,
        tables={"beats": make_beats([0.5] * 100)},
    )
    signal = read_signal(recording, "heart_rate_bpm", max_gap_s=5)
    assert signal is not None
    assert set(signal.values) == {90.0}
