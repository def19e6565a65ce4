"""Recordings that only count from their start find their time, or stay by themselves."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from config.settings import load_settings
from tasks.pair import Member, WorkoutMembers, pair_recordings
from tests.unit.walks import START_S, describe, make_walk, record

if TYPE_CHECKING:
    from tasks.core.recording import Recording

PAIR = load_settings().pair
HEART = "heart_rate_bpm"
WALK = make_walk(1800, seed=21)
OTHER = make_walk(1800, seed=22)
START = datetime.fromtimestamp(START_S, tz=UTC)


def pair(
    recordings: dict[str, Recording],
    *,
    names: dict[str, str] | None = None,
    starts_of_notes: tuple[datetime, ...] = (),
) -> tuple[WorkoutMembers, ...]:
    candidates = [
        describe(key, one, key, file_name=(names or {}).get(key, ""))
        for key, one in recordings.items()
    ]
    return pair_recordings(
        candidates, recordings.__getitem__, settings=PAIR, starts_of_notes=starts_of_notes
    )


def find(workouts: tuple[WorkoutMembers, ...], recording_id: str) -> tuple[WorkoutMembers, Member]:
    return next(
        (workout, member)
        for workout in workouts
        for member in workout.members
        if member.recording_id == recording_id
    )


def count_from_start(channel: str = HEART, **facts: int) -> Recording:
    """Record the walk with times from 1970 on."""
    return record(WALK, channel, start_s=-facts.get("first", 0), time_basis="elapsed", **facts)


def test_a_signal_places_it_to_the_second() -> None:
    workouts = pair(
        {
            "watch": record(WALK),
            "belt": count_from_start(first=120, seed=2),
            "other": record(OTHER, start_s=START_S + 7200),
        }
    )
    workout, member = find(workouts, "belt")
    assert [one.recording_id for one in workout.members] == ["watch", "belt"]
    assert member.clock_shift_s == pytest.approx(START_S + 120, abs=1)
    assert member.note == (
        "its file holds no date; placed where its heart rate matches another recording's"
    )


@pytest.mark.parametrize(
    "name", ["run_2025-06-15_17-06-45.csv", "20250615T170645.csv", "Lauf 2025-06-15 17.06.csv"]
)
def test_the_file_name_places_it_in_the_zone_that_fits(name: str) -> None:
    # The walk starts 2025-06-15T15:06:40Z; the names are local time, UTC+2.
    workouts = pair(
        {"watch": record(WALK, "speed_mps"), "belt": count_from_start()}, names={"belt": name}
    )
    workout, member = find(workouts, "belt")
    assert len(workout.members) == 2
    assert member.clock_shift_s == pytest.approx(START_S, abs=45)
    assert "file name" in (member.note or "")


def test_a_date_in_the_name_keeps_the_search_near_it() -> None:
    recordings = {
        "watch": record(WALK),
        "belt": count_from_start(seed=2),
        "same": record(WALK, start_s=START_S + 30 * 86_400, seed=3),
    }
    asked: list[str] = []

    def load(recording_id: str) -> Recording:
        asked.append(recording_id)
        return recordings[recording_id]

    workouts = pair_recordings(
        [
            describe(
                key, one, key, file_name="belt_2025-06-15_09-00-00.csv" if key == "belt" else ""
            )
            for key, one in recordings.items()
        ],
        load,
        settings=PAIR,
    )
    assert find(workouts, "belt")[1].clock_shift_s == pytest.approx(START_S, abs=1)
    assert "same" not in asked


def test_former_companions_are_asked_first() -> None:
    recordings = {"watch": record(WALK), "belt": count_from_start(seed=2)}
    recordings["far"] = record(OTHER, start_s=START_S + 30 * 86_400, seed=3)
    candidates = [
        replace(describe(key, one, key), known_workout_id=None if key == "far" else "w1")
        for key, one in recordings.items()
    ]
    asked: list[str] = []

    def load(recording_id: str) -> Recording:
        asked.append(recording_id)
        return recordings[recording_id]

    workouts = pair_recordings(candidates, load, settings=PAIR)
    assert find(workouts, "belt")[1].clock_shift_s == pytest.approx(START_S, abs=1)
    assert "far" not in asked


def test_a_name_that_fits_two_workouts_places_nothing() -> None:
    workouts = pair(
        {
            "watch": record(WALK, "speed_mps"),
            "later": record(OTHER, "speed_mps", start_s=START_S + 4 * 3600),
            "belt": count_from_start(),
        },
        names={"belt": "2025-06-15_17-06-45.csv"},
    )
    workout, member = find(workouts, "belt")
    assert len(workout.members) == 1
    assert "neither" in (member.note or "")


def test_the_only_start_of_notes_that_nothing_else_explains_places_it() -> None:
    workouts = pair(
        {"earlier": record(OTHER, start_s=START_S - 20_000), "belt": count_from_start()},
        starts_of_notes=(START - timedelta(seconds=20_000), START),
    )
    workout, member = find(workouts, "belt")
    assert workout.start_utc == START
    assert "notes" in (member.note or "")


def test_what_finds_no_time_is_paired_with_nothing() -> None:
    workouts = pair({"one": count_from_start(), "two": count_from_start(seed=2)})
    assert [len(workout.members) for workout in workouts] == [1, 1]
    assert all("no date" in (workout.members[0].note or "") for workout in workouts)


def test_the_heart_rate_of_another_walk_places_nothing() -> None:
    workouts = pair({"watch": record(OTHER), "belt": count_from_start()})
    assert len(find(workouts, "belt")[0].members) == 1
