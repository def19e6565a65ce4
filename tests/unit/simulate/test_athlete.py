"""The invented heart answers as its constants say."""

import numpy as np
import pytest

from tests.simulate.athlete import Athlete, draw_beats, draw_memory_noise, respond

STILL = Athlete(slow_sd_bpm=0.0, drift_bpm_per_h=0.0)


def test_a_steady_demand_is_reached() -> None:
    rate = respond(STILL, np.full(1200, 0.7), 1.0, np.random.default_rng(1))
    # 52 + 0.7 * (188 - 52) = 147.2
    assert rate[-1] == pytest.approx(147.2, abs=0.01)


def test_the_heart_rises_faster_than_it_falls() -> None:
    demand = np.concatenate([np.full(600, 0.4), np.full(600, 0.8), np.full(600, 0.4)])
    rate = respond(STILL, demand, 1.0, np.random.default_rng(1))
    middle = (rate[599] + rate[1199]) / 2
    rise_s = int(np.argmax(rate[600:1200] > middle))
    fall_s = int(np.argmax(rate[1200:] < middle))
    # Half of a step of two equal lags T in a row is reached at 1.678 T (solve e^-x (1 + x) = 1/2).
    # Steps of a whole second shorten each lag by half a second: 1.7 s in all, and 1 s of grid.
    assert rise_s == pytest.approx(1.678 * STILL.rise_s, abs=2.7)
    assert fall_s == pytest.approx(1.678 * STILL.fall_s, abs=2.7)


def test_drift_adds_what_it_says_in_an_hour() -> None:
    drifting = Athlete(slow_sd_bpm=0.0, drift_bpm_per_h=6.0)
    demand = np.full(3601, 0.6)
    with_drift = respond(drifting, demand, 1.0, np.random.default_rng(1))
    without = respond(STILL, demand, 1.0, np.random.default_rng(1))
    late_s = int(np.argmax((without - STILL.rest_bpm) / 136.0 > 1 / 3))
    assert (with_drift - without)[-1] == pytest.approx(6.0 * (3601 - late_s) / 3600, abs=0.01)


def test_beats_come_at_the_heart_rate() -> None:
    time = np.arange(0.0, 601.0)
    beats = draw_beats(Athlete(), time, np.full(601, 120.0), np.random.default_rng(2))
    # 10 min at 120/min; the wandering of 2 % with a memory of 1.5 s adds up to about one beat.
    assert len(beats) == pytest.approx(1200, abs=4)
    assert np.diff(beats).mean() == pytest.approx(0.5, abs=0.002)


def test_beats_vary_more_at_rest() -> None:
    time = np.arange(0.0, 1201.0)
    calm = draw_beats(Athlete(), time, np.full(1201, 60.0), np.random.default_rng(2))
    hard = draw_beats(Athlete(), time, np.full(1201, 180.0), np.random.default_rng(2))
    assert np.diff(calm).std() > 2.0 * np.diff(hard).std() > 0.0


def test_noise_has_the_deviation_and_the_memory_that_it_says() -> None:
    noise = draw_memory_noise(200_000, 20.0, 3.0, np.random.default_rng(5))
    correlation = np.corrcoef(noise[:-20], noise[20:])[0, 1]
    # 200,000 / 40 = 5,000 independent values: SD of the SD about 1 %, of a correlation 0.014.
    assert noise.std() == pytest.approx(3.0, rel=0.04)
    assert correlation == pytest.approx(np.exp(-1.0), abs=0.06)


def test_noise_of_no_length_is_empty() -> None:
    assert draw_memory_noise(0, 20.0, 3.0, np.random.default_rng(5)).size == 0
