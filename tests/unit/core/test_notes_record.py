"""What notes say: their mark, the true distance, and where things stand."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from tasks.core.notes import NamedSegment, Notes, Truth

NOTES = Notes(
    start_utc=datetime(2026, 5, 2, 5, 30, tzinfo=UTC),
    truth=Truth(distance_m=8000.0),
    segments=(NamedSegment("out", from_s=0.0, to_s=60.0),),
    setup={"alder-2": {"wrist": "left", "battery_start_pct": 96.0}},
    name="a.notes.toml",
    file_id="ab",
    lines={"setup.alder-2": 9},
)


@pytest.mark.parametrize(
    "changed",
    [
        replace(NOTES, start_utc=NOTES.start_utc + timedelta(seconds=1)),
        replace(NOTES, whole_day=True),
        replace(NOTES, activity="running"),
        replace(NOTES, truth=Truth(distance_m=8000.0, distance_tolerance_pct=0.5)),
        replace(NOTES, segments=()),
        replace(NOTES, setup={"alder-2": {"wrist": "right", "battery_start_pct": 96.0}}),
        replace(NOTES, setup={"alder-1": {"wrist": "left", "battery_start_pct": 96.0}}),
    ],
)
def test_the_mark_changes_with_everything_that_is_said(changed: Notes) -> None:
    assert changed.mark != NOTES.mark


def test_the_mark_does_not_change_with_the_file() -> None:
    moved = replace(NOTES, name="b.notes.csv", file_id="cd", lines={"setup.alder-2": 2})
    assert moved.mark == NOTES.mark


@pytest.mark.parametrize(
    ("truth", "distance_m"),
    [
        (Truth(distance_m=1010.0, lengths=40, pool_length_m=25.0), 1010.0),
        (Truth(lengths=40, pool_length_m=25.0), 1000.0),
        # 40 lengths of 25 yd (22.86 m exactly).
        (Truth(lengths=40, pool_length_m=22.86), 914.4),
        (Truth(lengths=40), None),
        (Truth(pool_length_m=25.0), None),
    ],
)
def test_in_a_pool_the_true_distance_is_lengths_times_its_length(
    truth: Truth, distance_m: float | None
) -> None:
    assert truth.known_distance_m == (None if distance_m is None else pytest.approx(distance_m))


def test_a_complaint_begins_with_file_and_line() -> None:
    assert NOTES.locate("setup.alder-2") == "a.notes.toml, line 9"
    assert NOTES.locate("setup.alder-1") == "a.notes.toml"


@pytest.mark.parametrize(
    ("truth", "lengths"),
    [
        (Truth(lengths=41, distance_m=1000.0, pool_length_m=25.0), 41),
        (Truth(distance_m=1000.0, pool_length_m=25.0), 40),
        (Truth(distance_m=1010.0, pool_length_m=25.0), None),
        (Truth(distance_m=1000.0), None),
    ],
)
def test_a_distance_of_whole_lengths_counts_them(truth: Truth, lengths: int | None) -> None:
    assert truth.known_lengths == lengths
