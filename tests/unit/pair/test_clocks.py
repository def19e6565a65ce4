"""Clocks that are wrong by quarter hours: found when clear, left alone when not."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from config.settings import load_settings
from tasks.pair import Member, WorkoutMembers, pair_recordings
from tests.unit.walks import METRES_PER_DEGREE, START_S, Walk, describe, make_walk, record

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tasks.core.recording import Recording

PAIR = load_settings().pair
HEART = "heart_rate_bpm"
WALK = make_walk(2400, seed=11)


def pair(
    recordings: Mapping[str, Recording],
    *,
    devices: Mapping[str, str] | None = None,
    starts_of_notes: tuple[datetime, ...] = (),
) -> tuple[WorkoutMembers, ...]:
    named = devices or {}
    candidates = [describe(key, one, named.get(key, key)) for key, one in recordings.items()]
    return pair_recordings(
        candidates, recordings.__getitem__, settings=PAIR, starts_of_notes=starts_of_notes
    )


def find_shifts(workouts: tuple[WorkoutMembers, ...]) -> dict[str, float]:
    return {
        member.recording_id: member.clock_shift_s
        for workout in workouts
        for member in workout.members
    }


def find(workouts: tuple[WorkoutMembers, ...], recording_id: str) -> Member:
    members = [member for workout in workouts for member in workout.members]
    return next(member for member in members if member.recording_id == recording_id)


@given(
    quarters=st.integers(-56, 56).filter(lambda quarters: abs(quarters) > 1),
    residual_s=st.integers(-30, 30),
)
@settings(max_examples=20, deadline=None)
def test_a_wrong_clock_is_found_by_the_places(quarters: int, residual_s: int) -> None:
    wrong = record(WALK, clock_error_s=-quarters * 900 + residual_s, seed=2)
    workouts = pair({"a": record(WALK), "b": record(WALK, seed=3), "wrong": wrong})
    assert len(workouts) == 1
    assert find_shifts(workouts) == {"a": 0.0, "b": 0.0, "wrong": quarters * 900.0}
    assert workouts[0].start_utc.timestamp() == pytest.approx(START_S, abs=30)


def test_the_note_says_how_wrong_the_clock_was_and_what_showed_it() -> None:
    wrong = record(WALK, clock_error_s=-7200, seed=2)
    workouts = pair({"a": record(WALK), "b": record(WALK, seed=3), "wrong": wrong})
    assert find(workouts, "wrong").note == "its clock was 2 h 00 min slow, found from position"


def test_a_clock_that_is_wrong_by_more_than_the_limit_is_left_alone() -> None:
    wrong = record(WALK, clock_error_s=57 * 900, seed=2)
    workouts = pair({"a": record(WALK), "b": record(WALK, seed=3), "wrong": wrong})
    assert find_shifts(workouts)["wrong"] == 0.0
    assert len(workouts) == 2


def test_tracks_elsewhere_are_not_shifted_whatever_the_heart_rate_says() -> None:
    elsewhere = Walk({**WALK.channels, "latitude_deg": WALK.channels["latitude_deg"] + 0.05})
    wrong = record(elsewhere, clock_error_s=-7200, seed=2)
    workouts = pair({"a": record(WALK), "b": record(WALK, seed=3), "wrong": wrong})
    assert find_shifts(workouts)["wrong"] == 0.0


def test_a_loop_that_fits_at_every_quarter_hour_gives_no_shift() -> None:
    # A lap of exactly 900 s: each quarter hour puts the walker on the same place again.
    angle = 2 * np.pi * np.arange(5400) / 900
    loop = Walk(
        {
            "latitude_deg": 47.0 + 300 * np.sin(angle) / METRES_PER_DEGREE,
            "longitude_deg": 8.0 + 300 * np.cos(angle) / METRES_PER_DEGREE,
        }
    )
    place = "latitude_deg longitude_deg"
    wrong = record(loop, place, clock_error_s=-7200, seed=2)
    workouts = pair({"a": record(loop, place), "b": record(loop, place, seed=3), "wrong": wrong})
    assert find_shifts(workouts)["wrong"] == 0.0


@pytest.mark.parametrize("channel", [HEART, "speed_mps", "altitude_m"])
def test_a_wrong_clock_is_found_by_a_signal(channel: str) -> None:
    wrong = record(WALK, channel, clock_error_s=-3 * 3600 - 5, seed=2)
    workouts = pair(
        {"a": record(WALK, channel), "b": record(WALK, channel, seed=3), "wrong": wrong}
    )
    assert find_shifts(workouts)["wrong"] == 3 * 3600.0


def test_a_signal_of_under_five_minutes_proves_nothing() -> None:
    wrong = record(WALK, HEART, clock_error_s=-7200, last=290, seed=2)
    workouts = pair({"a": record(WALK, HEART), "b": record(WALK, HEART, seed=3), "wrong": wrong})
    assert find_shifts(workouts)["wrong"] == 0.0


def warm_up(seed: int) -> Walk:
    """Return the heart rate of one more run by the same plan: the same rise, other details."""
    rng = np.random.default_rng(seed)
    seconds = np.arange(int(rng.integers(900, 3600)))
    rise = 85 + 65 * (1 - np.exp(-seconds / 120))
    other = make_walk(seconds.size, seed=seed + 1000).channels[HEART] - 140
    return Walk({HEART: rise + other * rng.uniform(0.2, 0.8)})


@pytest.mark.parametrize("seed", range(40))
def test_other_runs_of_the_same_day_are_not_shifted_onto_each_other(seed: int) -> None:
    hours = float(np.random.default_rng(seed).integers(8, 50)) / 4
    workouts = pair(
        {
            "morning": record(warm_up(seed), HEART),
            "evening": record(warm_up(seed + 500), HEART, start_s=START_S + hours * 3600),
        }
    )
    assert find_shifts(workouts) == {"morning": 0.0, "evening": 0.0}
    assert len(workouts) == 2


def stay_near(seed: int) -> Walk:
    """Return a walk that stays within 400 m of its start for an hour and a half."""
    walk = make_walk(5400, seed=seed)
    middle = {"latitude_deg": 47.0, "longitude_deg": 8.0}
    near = {
        name: middle[name] + 0.002 * np.sin((walk.channels[name] - middle[name]) * 400)
        for name in middle
    }
    return Walk({**walk.channels, **near})


@pytest.mark.parametrize("quarters", [-2, 1, 3])
def test_a_wrong_clock_among_others_is_found_by_the_places(quarters: int) -> None:
    near = stay_near(61)
    wrong = record(near, clock_error_s=-quarters * 900, seed=2)
    workouts = pair({"a": record(near), "b": record(near, seed=3), "wrong": wrong})
    assert find_shifts(workouts) == {"a": 0.0, "b": 0.0, "wrong": quarters * 900.0}
    assert len(workouts) == 1


def test_two_walks_at_one_place_and_time_are_not_shifted() -> None:
    workouts = pair({"a": record(stay_near(62)), "b": record(stay_near(63))})
    assert set(find_shifts(workouts).values()) == {0.0}


# --- which of two clocks is the wrong one ------------------------------------------------------
def test_of_two_clocks_the_one_that_the_notes_agree_with_is_right() -> None:
    early, late = record(WALK, clock_error_s=-7200, seed=2), record(WALK)
    for right_s, shifts in (
        (START_S, {"early": 7200.0, "late": 0.0}),
        (START_S - 7200, {"early": 0.0, "late": -7200.0}),
    ):
        noted = datetime.fromtimestamp(right_s - 60, tz=UTC)
        workouts = pair({"early": early, "late": late}, starts_of_notes=(noted,))
        assert find_shifts(workouts) == shifts
        assert len(workouts) == 1


def test_a_unit_that_was_wrong_among_several_is_the_wrong_one_of_two() -> None:
    other = make_walk(1800, seed=12)
    day = 86_400 * 3
    workouts = pair(
        {
            "a": record(WALK),
            "b": record(WALK, seed=3),
            "bad": record(WALK, clock_error_s=-7200, seed=2),
            "a2": record(other, start_s=START_S + day, last=1700),
            "bad2": record(other, start_s=START_S + day, clock_error_s=-7200, seed=5),
        },
        devices={"a2": "a", "bad2": "bad"},
    )
    shifts = find_shifts(workouts)
    assert (shifts["bad"], shifts["bad2"], shifts["a2"]) == (7200.0, 7200.0, 0.0)


def test_an_export_in_local_time_is_a_duplicate_of_the_one_in_utc() -> None:
    workouts = pair(
        {
            "fit": record(WALK, serial="42"),
            "gpx": record(WALK, clock_error_s=7200, every=2, format="gpx", last=2000),
        },
        devices={"fit": "alder-2", "gpx": "alder-2"},
    )
    assert find(workouts, "gpx").duplicate_of == "fit"
    assert find(workouts, "gpx").clock_shift_s == -7200.0
    assert find(workouts, "fit").clock_shift_s == 0.0


def test_the_same_way_on_the_same_day_by_one_unit_stays_two_workouts() -> None:
    workouts = pair(
        {
            "out": record(WALK, seed=1),
            "again": record(WALK, start_s=START_S + 4 * 3600, seed=2),
        },
        devices={"out": "alder-2", "again": "alder-2"},
    )
    assert len(workouts) == 2
    assert set(find_shifts(workouts).values()) == {0.0}
