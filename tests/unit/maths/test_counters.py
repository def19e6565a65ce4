"""A counter that counts time, and counters that look like it."""

from __future__ import annotations

import numpy as np
import pytest

from tasks.maths.counters import is_proportional, measure_unevenness

SECONDS = np.arange(1200, dtype=np.float64)


@pytest.mark.parametrize("digits", [0, 1, 2, 6])
def test_a_counter_made_of_time_is_recognised_whatever_its_digits(digits: int) -> None:
    assert is_proportional(SECONDS, np.round(2.7777 * SECONDS, digits))
    assert is_proportional(SECONDS[::7], np.round(2.7777 * SECONDS[::7] + 40, digits))


@pytest.mark.parametrize("sd_mps", [0.02, 0.1])
def test_a_measured_way_is_none_however_even(sd_mps: float) -> None:
    """Twenty runners at 3 m/s whose speed changes by 2 cm/s from second to second."""
    for seed in range(20):
        speed = 3.0 + np.random.default_rng(seed).normal(0, sd_mps, SECONDS.size)
        assert not is_proportional(SECONDS, np.round(np.cumsum(speed), 2))


def test_short_ways_and_rests_prove_nothing() -> None:
    assert not is_proportional(SECONDS[:200], 3.0 * SECONDS[:200])
    assert not is_proportional(SECONDS, np.zeros(SECONDS.size))
    assert not is_proportional(SECONDS[::60], 3.0 * SECONDS[::60])


def test_the_unevenness_of_a_pace() -> None:
    """By hand: minutes of 180 and 200 m in turn: median 190, all 10 away, 1.4826 * 10 / 190."""
    speed = np.where(np.arange(1201) // 60 % 2 == 0, 3.0, 10 / 3)
    way = np.concatenate([[0.0], np.cumsum(speed)])
    assert measure_unevenness(way) == pytest.approx(1.4826 * 10 / 190, rel=1e-6)
    assert measure_unevenness(3.0 * SECONDS) == 0
    assert measure_unevenness(way[:240]) == 0
