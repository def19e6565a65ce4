"""Whether channels of two devices are one signal: copies are, sensors of their own are not."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tasks.maths.same_signal import (
    HEIGHT,
    SPEED,
    compare_counters,
    compare_places,
    compare_series,
)

Array = NDArray[np.float64]


def draw_ride(seed: int, n: int = 3000) -> tuple[Array, Array]:
    """Return speed and way of a ride with changes of pace."""
    generator = np.random.default_rng(seed)
    speed = 7 + 2 * np.sin(np.arange(n) / 140) + generator.normal(0, 0.3, n)
    return speed, np.cumsum(speed)


@pytest.mark.parametrize("digits", [0, 2])
@pytest.mark.parametrize("late_s", [0.0, 0.4, 2.0])
def test_a_counter_that_was_sent_on(digits: int, late_s: float) -> None:
    """The receiver writes what came last: up to a quarter of a second old, and 120 m less."""
    for seed in range(10):
        _, way = draw_ride(seed)
        generator = np.random.default_rng(seed + 50)
        at = np.arange(way.size) - late_s - generator.uniform(0, 0.25, way.size)
        sent = np.round(np.interp(at, np.arange(way.size), way) - 120, digits)
        found = compare_counters(np.round(way, digits), sent)
        assert found.is_same
        assert found.shift == pytest.approx(late_s + 0.1, abs=1.1)


def test_counters_of_their_own() -> None:
    """Two sensors, each with its own scale (SD 0.3 %) and wander: 100 pairs, none is one signal."""
    for seed in range(100):
        speed, _ = draw_ride(seed)
        ways = []
        for number in (1, 2):
            generator = np.random.default_rng([seed, number])
            off = generator.normal(0, 0.05, speed.size) + generator.normal(0, 0.003) * speed
            ways.append(np.round(np.cumsum(speed + off), 2))
        assert not compare_counters(*ways).is_same


def test_what_does_not_vary_proves_nothing() -> None:
    even = np.arange(3000) * 3.0
    assert not compare_counters(even, even).is_same
    assert not compare_series(np.full(900, 3.0), np.full(900, 3.0), SPEED).is_same
    assert not compare_series(np.full(900, 310.0), np.full(900, 310.0), HEIGHT).is_same
    assert not compare_places(np.zeros((2, 900)), np.zeros((2, 900))).is_same


@pytest.mark.parametrize(("sd_mps", "is_one"), [(0.0, True), (0.05, False)])
def test_speeds(sd_mps: float, is_one: bool) -> None:  # noqa: FBT001
    for seed in range(20):
        speed, _ = draw_ride(seed)
        sensors = [
            np.round(speed + np.random.default_rng([seed, k]).normal(0, sd_mps, speed.size), 3)
            for k in (1, 2)
        ]
        late = np.concatenate([np.full(2, np.nan), sensors[1][:-2]])
        found = compare_series(sensors[0], late, SPEED)
        assert found.is_same is is_one
        assert found.shift == 2 or not is_one


def test_whole_metres_of_two_barometers_are_often_equal_and_not_one() -> None:
    height = 300 + 40 * np.sin(np.arange(3000) / 300)
    for seed in range(20):
        generator = np.random.default_rng(seed)
        one, other = (np.round(height + generator.normal(0, 0.1, 3000)) for _ in range(2))
        assert not compare_series(one, other, HEIGHT).is_same
        assert compare_series(one, one + 12, HEIGHT).is_same


def test_tracks() -> None:
    _, way = draw_ride(3)
    line = np.vstack([way, 40 * np.sin(way / 300)])
    generator = np.random.default_rng(3)
    assert compare_places(line, line + generator.normal(0, 0.05, line.shape)).is_same
    wander = np.cumsum(generator.normal(0, 0.05, line.shape), axis=1)
    assert not compare_places(line, line + wander).is_same
