"""What was done is taken from the notes, else from the files, else inferred."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from tasks.core.notes import Notes
from tasks.processing.activity import name_activity_of
from tasks.workout.case import Subject, make_example

START = datetime(2026, 5, 2, 5, 30, tzinfo=UTC)


def make_subject(sport: str | None = None, **facts: Any) -> Subject:  # noqa: ANN401
    channels = facts.pop("channels", {"heart_rate_bpm": [100.0]})
    subject = make_example(test=channels).test
    header = replace(subject.recording.header, sport=sport, **facts)
    return replace(subject, recording=replace(subject.recording, header=header))


def test_notes_count_more_than_the_files() -> None:
    notes = Notes(START, activity="hiking", place="outdoors")
    found = name_activity_of([make_subject("running")], notes)
    assert (found.name, found.source, found.place) == ("hiking", "notes", "outdoors")


def test_word_of_most_devices_counts() -> None:
    subjects = [make_subject("running"), make_subject("walking"), make_subject("running")]
    assert name_activity_of(subjects, None).name == "running"


def test_order_of_files_does_not_decide_a_tie() -> None:
    subjects = [make_subject("walking"), make_subject("hiking")]
    assert name_activity_of(subjects, None) == name_activity_of(subjects[::-1], None)


@pytest.mark.parametrize(
    ("speed_mps", "activity"),
    [(1.3, "walking"), (3.0, "running"), (8.0, "cycling"), (0.0, "other")],
)
def test_activity_is_inferred_from_moving_speed(speed_mps: float, activity: str) -> None:
    subject = make_subject(channels={"speed_mps": [speed_mps] * 60})
    found = name_activity_of([subject], None)
    assert (found.name, found.source) == (activity, "inferred")


def test_activity_is_inferred_from_positions_without_speed() -> None:
    # 0.00003 degrees of latitude a second are about 3.3 m/s.
    latitudes = [45.0 + 0.00003 * second for second in range(60)]
    subject = make_subject(channels={"latitude_deg": latitudes, "longitude_deg": [7.0] * 60})
    assert name_activity_of([subject], None).name == "running"


@pytest.mark.parametrize(
    ("facts", "place"),
    [
        ({"position_kind": "virtual"}, "trainer"),
        ({"sub_sport": "treadmill"}, "treadmill"),
        ({"sub_sport": "lap_swimming"}, "pool"),
        ({"position_kind": "gnss"}, "outdoors"),
        ({}, None),
    ],
)
def test_place_comes_from_the_files(facts: dict[str, str], place: str | None) -> None:
    assert name_activity_of([make_subject("running", **facts)], None).place == place
