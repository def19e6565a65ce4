"""Clocks of workouts from a second hand: blocks of pace, an athlete's heart, late filters."""

from __future__ import annotations

from math import isfinite
from typing import TYPE_CHECKING

import numpy as np
import pytest

from config.settings import load_settings
from tasks.align.joining import shift_recording
from tasks.align.offsets import find_offset
from tests.unit.walks import METRES_PER_DEGREE, Walk, record, wander

if TYPE_CHECKING:
    from tasks.core.recording import Recording

ALIGN = load_settings().align
SPEED, PLACE, HEART = "speed_mps", "latitude_deg longitude_deg", "heart_rate_bpm"


def pace_in_blocks(n: int, rng: np.random.Generator) -> np.ndarray:
    """Blocks of half a minute to some minutes at a pace, ramps between, and a slow wander."""
    pace = np.zeros(n)
    begin = 0
    while begin < n:
        length = int(rng.exponential(150) + 30)
        pace[begin : begin + length] = rng.normal(0, 0.3)
        begin += length
    ramp = np.convolve(np.pad(pace, 4, mode="edge"), np.ones(9) / 9, mode="valid")
    return 3.0 + ramp + wander(n, rng, memory_s=50, sd=0.15)


def answer_of_heart(pace: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    rate, rates = 90.0, []
    for target in 75 + 22 * pace:
        rate += (target - rate) / 25
        rates.append(rate)
    return np.array(rates) + wander(pace.size, rng, memory_s=200, sd=2.0)


def hear(heart: np.ndarray, rng: np.random.Generator, *, sd: float, memory_s: float) -> np.ndarray:
    return np.round(heart + wander(heart.size, rng, memory_s=memory_s, sd=sd))


def two_hearts(minutes: int, seed: int, *, offset_s: int) -> tuple[Recording, Recording]:
    """A strap and a watch whose clock is `offset_s` behind."""
    rng = np.random.default_rng([minutes, seed])
    heart = answer_of_heart(pace_in_blocks(60 * minutes + 200, rng), rng)
    strap = Walk({HEART: hear(heart, rng, sd=1.0, memory_s=10)})
    watch = Walk({HEART: hear(heart, rng, sd=2.0, memory_s=30)})
    part = {"first": 100, "last": 60 * minutes + 100, "seed": None}
    return (
        record(strap, HEART, **part),
        record(watch, HEART, clock_error_s=-offset_s, **part),
    )


@pytest.mark.parametrize(("minutes", "least"), [(20, 10), (40, 14), (60, 14)])
def test_a_clock_47_s_off_is_found_by_heart_rate_alone(minutes: int, least: int) -> None:
    pairs = [two_hearts(minutes, seed, offset_s=47) for seed in range(15)]
    found = [find_offset(*pair, settings=ALIGN) for pair in pairs]
    right = [one for one in found if abs(one.offset_s - 47) < 8]
    assert len(right) >= least
    # What was not taken was not taken for something else either.
    assert all(one.offset_s == 0 for one in found if one not in right)


def test_unlike_workouts_set_no_clock_by_heart_rate() -> None:
    for seed in range(30):
        strap, _ = two_hearts(40, seed, offset_s=0)
        _, watch = two_hearts(40, seed + 500, offset_s=0)
        found = find_offset(strap, watch, settings=ALIGN)
        assert (found.offset_s, found.doubt_s) == (0.0, None)


def two_speeds(noise_mps: float, seed: int) -> tuple[Recording, Recording]:
    rng = np.random.default_rng(seed)
    pace = pace_in_blocks(3600, rng)
    noisy = [pace + wander(3600, rng, memory_s=3, sd=noise_mps) for _ in range(2)]
    one, other = (record(Walk({SPEED: speed}), SPEED, seed=None) for speed in noisy)
    return one, other


@pytest.mark.parametrize("noise_mps", [0.05, 0.1, 0.2])
def test_noisy_speeds_do_not_move_a_clock_that_is_right(noise_mps: float) -> None:
    found = [find_offset(*two_speeds(noise_mps, seed), settings=ALIGN) for seed in range(20)]
    assert [one.offset_s for one in found] == [0.0] * 20
    errors = [one.standard_error_s for one in found if one.method != "none"]
    assert all(isfinite(error) for error in errors)


UNTRUSTED = {"is_clock_trusted": False}


def two_tracks(late_s: int, seed: int, *, clock_error_s: int = 0) -> tuple[Recording, Recording]:
    """A bicycle computer and a watch whose positions come late; both with heart rate."""
    rng = np.random.default_rng(seed)
    n = 3600
    pace = pace_in_blocks(n, rng)
    heart = answer_of_heart(pace, rng)
    heading = np.cumsum(wander(n, rng, memory_s=60, sd=0.02))
    north, east = np.cumsum(pace * np.cos(heading)), np.cumsum(pace * np.sin(heading))
    place = {
        "latitude_deg": 47 + north / METRES_PER_DEGREE,
        "longitude_deg": 8 + east / METRES_PER_DEGREE / np.cos(np.radians(47)),
    }
    late = {
        name: np.concatenate([np.full(late_s, values[0]), values[: n - late_s]])
        for name, values in place.items()
    }
    behind = np.concatenate([np.full(3, heart[0]), heart[:-3]])
    one = Walk({**place, HEART: hear(heart, rng, sd=0.5, memory_s=5)})
    other = Walk({**late, HEART: hear(behind, rng, sd=1.0, memory_s=10)})
    channels = f"{PLACE} {HEART}"
    return record(one, channels), record(other, channels, clock_error_s=clock_error_s, seed=2)


def test_positions_that_a_filter_delays_do_not_move_the_clock() -> None:
    found = [find_offset(*two_tracks(5, seed), settings=ALIGN) for seed in range(8)]
    kept = [one for one in found if one.offset_s == 0]
    assert len(kept) >= 6
    assert all("positions of one are late" in (one.note or "") for one in kept)


def test_a_clock_that_is_late_is_still_set_by_tracks() -> None:
    for seed in range(5):
        found = find_offset(*two_tracks(0, seed, clock_error_s=5), settings=ALIGN)
        assert found.method == "position"
        assert found.offset_s == pytest.approx(-5, abs=0.75)


@pytest.mark.parametrize("error_s", [-10, -8])
def test_a_clock_shifted_as_a_whole_is_set_by_heart_rate_that_contradicts_late_positions(
    error_s: int,
) -> None:
    """What is left beside whole hours: nothing says that such a clock is right to a second."""
    found = [
        find_offset(*two_tracks(5, seed, clock_error_s=error_s), settings=ALIGN, **UNTRUSTED)
        for seed in range(6)
    ]
    by_heart = [one for one in found if one.method == "heart_rate"]
    assert len(by_heart) >= 4
    for one in by_heart:
        # The watch's heart rate is 3 s late, which is hidden then; its tracks are 5 s late.
        assert one.offset_s == pytest.approx(-error_s - 3, abs=1.0)
        assert "the positions of one are late" in (one.note or "")
    assert all(one.offset_s != 0 for one in found)


@pytest.mark.parametrize("shift_s", [-7200.0, 37.0, 86_400.0 * 90 + 0.25])
@pytest.mark.parametrize("late_s", [0, 5])
def test_a_shift_of_all_clocks_changes_no_offset(late_s: int, shift_s: float) -> None:
    """A whole home on a wrong clock, also where heart rate contradicts the tracks."""
    for seed in range(3):
        reference, test = two_tracks(late_s, seed, clock_error_s=3 - late_s)
        found = find_offset(reference, test, settings=ALIGN)
        moved = find_offset(
            shift_recording(reference, shift_s), shift_recording(test, shift_s), settings=ALIGN
        )
        assert moved.offset_s == pytest.approx(found.offset_s, abs=0.02)
        assert (moved.method, moved.doubt_s) == (found.method, found.doubt_s)


def test_a_counter_sets_the_clock_where_only_it_and_heart_rate_are_there() -> None:
    rng = np.random.default_rng(3)
    way = np.cumsum(pace_in_blocks(3600, rng))
    one = record(Walk({"distance_m": np.round(way)}), "distance_m")
    other = record(Walk({"distance_m": np.round(1.01 * way)}), "distance_m", clock_error_s=-12)
    found = find_offset(one, other, settings=ALIGN)
    assert found.method in {"distance", "speed"}
    assert found.offset_s == pytest.approx(12, abs=1.0)
