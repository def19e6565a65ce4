"""Clock offsets: found from what both recorded, in the right order, or not claimed at all."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from config.settings import load_settings
from tasks.align.offsets import find_offset
from tests.unit.walks import METRES_PER_DEGREE, Walk, make_walk, record, smooth

if TYPE_CHECKING:
    from tasks.core.recording import Recording

ALIGN = load_settings().align
PLACE = "latitude_deg longitude_deg"
WALK = make_walk(1800, seed=31)


@pytest.mark.parametrize(
    ("channel", "method"),
    [
        ("speed_mps", "speed"),
        ("distance_m", "speed"),
        ("power_w", "power"),
        ("altitude_m", "altitude"),
        ("cadence_rpm", "cadence"),
        ("heart_rate_bpm", "heart_rate"),
    ],
)
@given(offset_s=st.integers(-90, 90))
@settings(max_examples=8, deadline=None)
def test_an_injected_offset_is_recovered(channel: str, method: str, offset_s: int) -> None:
    test = record(WALK, channel, clock_error_s=-offset_s, first=20, seed=2)
    found = find_offset(record(WALK, channel), test, settings=ALIGN)
    if channel == "heart_rate_bpm" and abs(offset_s) <= 3:
        # Which clock is right is not known from heart rate within its own error.
        assert (found.method, found.offset_s) == ("none", 0.0) or found.method == method
        return
    assert found.method == method
    assert found.offset_s == pytest.approx(offset_s, abs=0.5)
    assert 0.5 < found.confidence <= 1.0


@given(offset_s=st.floats(-60, 60).filter(lambda offset_s: abs(offset_s) > 2.5))
@settings(max_examples=15, deadline=None)
def test_tracks_show_an_offset_of_two_gnss_clocks(offset_s: float) -> None:
    found = find_offset(
        record(WALK, PLACE),
        record(WALK, PLACE, clock_error_s=-offset_s, first=30, seed=2),
        settings=ALIGN,
    )
    assert found.method == "position"
    # Stamps are rounded to the second on both sides.
    assert found.offset_s == pytest.approx(offset_s, abs=0.75)


@pytest.mark.parametrize("offset_s", [-1.5, 0.0, 1.5])
def test_a_small_offset_of_two_gnss_clocks_is_none(offset_s: float) -> None:
    test = record(WALK, PLACE, clock_error_s=-offset_s, seed=2)
    found = find_offset(record(WALK, PLACE), test, settings=ALIGN)
    assert (found.offset_s, found.method, found.confidence) == (0.0, "gnss", 1.0)


def test_a_small_offset_counts_when_a_clock_had_to_be_shifted() -> None:
    test = record(WALK, PLACE, clock_error_s=-1.5, seed=2)
    found = find_offset(record(WALK, PLACE), test, settings=ALIGN, is_clock_trusted=False)
    assert found.method == "position"
    assert found.offset_s == pytest.approx(1.5, abs=0.75)


def test_tracks_that_differ_without_moving_apart_in_time_give_no_offset() -> None:
    aside = Walk(
        {
            **WALK.channels,
            "longitude_deg": WALK.channels["longitude_deg"] + 20 / METRES_PER_DEGREE,
        }
    )
    found = find_offset(record(WALK, PLACE), record(aside, PLACE, seed=2), settings=ALIGN)
    assert (found.offset_s, found.method) == (0.0, "gnss")


def test_gnss_clocks_hold_where_the_tracks_cannot_confirm_them() -> None:
    place = {"latitude_deg": np.full(600, 47.0), "longitude_deg": np.full(600, 8.0)}
    found = find_offset(
        record(Walk(place), PLACE), record(Walk(place), PLACE, seed=2), settings=ALIGN
    )
    assert (found.offset_s, found.method) == (0.0, "gnss")
    assert found.confidence < 1.0


def test_virtual_positions_set_no_clock() -> None:
    channels = f"{PLACE} power_w"
    virtual = record(WALK, channels, clock_error_s=-7, seed=2, position_kind="virtual")
    found = find_offset(record(WALK, channels), virtual, settings=ALIGN)
    assert found.method == "power"
    assert found.offset_s == pytest.approx(7, abs=0.5)


@pytest.mark.parametrize("width", [3, 7, 15])
@pytest.mark.parametrize("channel", ["power_w", "speed_mps", "heart_rate_bpm"])
def test_smoothing_in_one_device_does_not_move_the_offset(channel: str, width: int) -> None:
    smoothed = Walk({channel: smooth(WALK.channels[channel], width)})
    test = record(smoothed, channel, clock_error_s=-12, seed=2)
    found = find_offset(record(WALK, channel), test, settings=ALIGN)
    assert found.offset_s == pytest.approx(12, abs=0.5)


def test_another_gain_and_zero_do_not_move_the_offset() -> None:
    other = Walk({"power_w": 20 + 0.8 * WALK.channels["power_w"]})
    found = find_offset(
        record(WALK, "power_w"), record(other, "power_w", clock_error_s=5), settings=ALIGN
    )
    assert found.offset_s == pytest.approx(-5, abs=0.5)


def test_heart_rate_is_the_last_resort() -> None:
    channels = "cadence_rpm heart_rate_bpm"
    late = np.roll(WALK.channels["heart_rate_bpm"], 12)
    slow = Walk({**WALK.channels, "heart_rate_bpm": late})
    found = find_offset(record(WALK, channels), record(slow, channels, seed=2), settings=ALIGN)
    assert found.method == "cadence"
    assert found.offset_s == pytest.approx(0, abs=0.5)


def make_flat(channel: str) -> Recording:
    return record(Walk({channel: np.full(1800, 100.0)}), channel, seed=None)


@pytest.mark.parametrize(
    ("reference", "test"),
    [
        (record(WALK, "power_w"), record(WALK, "heart_rate_bpm")),
        (make_flat("power_w"), make_flat("power_w")),
        (record(WALK, "power_w", last=100), record(WALK, "power_w", last=100, seed=2)),
        (record(WALK, "power_w", last=1), record(WALK, "power_w", last=1)),
    ],
    ids=["no common channel", "no variation", "too short", "one sample"],
)
def test_what_cannot_be_compared_gives_no_offset_and_says_so(
    reference: Recording, test: Recording
) -> None:
    found = find_offset(reference, test, settings=ALIGN)
    assert (found.offset_s, found.method, found.confidence) == (0.0, "none", 0.0)
    assert found.note


@pytest.mark.parametrize("seed", range(25))
@pytest.mark.parametrize("channel", ["power_w", "speed_mps", "heart_rate_bpm", "cadence_rpm"])
def test_unrelated_signals_give_no_offset(channel: str, seed: int) -> None:
    one, other = make_walk(1800, seed=100 + seed), make_walk(1800, seed=200 + seed)
    found = find_offset(record(one, channel), record(other, channel), settings=ALIGN)
    assert found.method == "none"


def test_intervals_that_fit_at_many_shifts_are_not_sure() -> None:
    seconds = np.arange(1800)
    intervals = Walk({"power_w": 200 + 100.0 * ((seconds // 20) % 2)})
    found = find_offset(
        record(intervals, "power_w"), record(intervals, "power_w", seed=2), settings=ALIGN
    )
    assert found.method == "none"
    assert "power" in (found.note or "")


def test_swapping_the_recordings_turns_the_sign() -> None:
    one = record(WALK, "power_w")
    other = record(WALK, "power_w", clock_error_s=-9, seed=2)
    there = find_offset(one, other, settings=ALIGN).offset_s
    back = find_offset(other, one, settings=ALIGN).offset_s
    assert there == pytest.approx(-back, abs=0.2)


def test_gaps_do_not_move_the_offset() -> None:
    test = record(WALK, "power_w", clock_error_s=-9, seed=2)
    keep = np.ones(1800, dtype=bool)
    keep[200:500] = keep[900:950] = False
    thinned = replace(test, samples=test.samples.filter(keep))
    found = find_offset(record(WALK, "power_w"), thinned, settings=ALIGN)
    assert found.offset_s == pytest.approx(9, abs=0.5)
