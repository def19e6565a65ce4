"""Which notes a workout gets, and what in them fits none."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from config.devices import Device, Identified
from tasks.core.file_records import FileRecord
from tasks.core.notes import NamedSegment, Notes
from tasks.core.recording import Header
from tasks.pair import Member, WorkoutMembers
from tasks.processing.assign import assign_notes, check_segments
from tasks.processing.known import KnownRecording

START = datetime(2026, 5, 2, 5, 30, tzinfo=UTC)
MIDNIGHT = datetime(2026, 5, 2, tzinfo=UTC)


def make_bout(recording_id: str, *, after: timedelta = timedelta()) -> WorkoutMembers:
    start = START + after
    return WorkoutMembers((Member(recording_id),), start, start + timedelta(minutes=30))


def make_known(recording_id: str, device_id: str) -> KnownRecording:
    file = FileRecord(
        file_id=recording_id,
        name=recording_id,
        folder=None,
        received_at=START,
        bytes=1,
        format="csv",
        status="stored",
        reason=None,
        inside=None,
        n_recordings=1,
        recording_ids=(recording_id,),
        names=(),
    )
    return KnownRecording(
        recording_id=recording_id,
        file=file,
        header=Header(format="csv", reader="test"),
        start_utc=START,
        end_utc=START,
        n_samples=1,
        remarks=None,
        identified=Identified(Device(id=device_id, name=device_id), "folder"),
    )


NAMED = {"early": make_bout("aa"), "late": make_bout("bb", after=timedelta(hours=8))}
BY_ID = {"aa": make_known("aa", "alder-2"), "bb": make_known("bb", "alder-1")}


def test_the_later_of_two_notes_applies() -> None:
    notes = [Notes(START, activity="running"), Notes(START, activity="walking")]
    applies = assign_notes(notes, NAMED, BY_ID).applies
    assert applies == {"early": notes[1]}


def test_notes_may_be_early_by_half_an_hour_and_no_more() -> None:
    early = Notes(START - timedelta(minutes=30))
    earlier = Notes(START - timedelta(minutes=31), name="too-early.notes.toml")
    assert assign_notes([early], NAMED, BY_ID).applies == {"early": early}
    assert assign_notes([earlier], NAMED, BY_ID).unclaimed == ("too-early.notes.toml",)


def test_a_day_with_one_workout_of_the_device_finds_it() -> None:
    day = Notes(MIDNIGHT, whole_day=True, setup={"alder-1": {"wrist": "left"}})
    assigned = assign_notes([day], NAMED, BY_ID)
    assert assigned.applies == {"late": day}
    assert assigned.complaints == ()


def test_a_day_with_two_workouts_that_fit_is_no_guess() -> None:
    day = Notes(MIDNIGHT, name="w.notes.csv", whole_day=True, lines={"start": 7})
    assigned = assign_notes([day], NAMED, BY_ID)
    assert assigned.applies == {}
    (complaint,) = assigned.complaints
    assert complaint == (
        "w.notes.csv, line 7: 2 workouts of that day fit; add the time at which this one began"
    )


def test_a_day_does_not_reach_into_the_next() -> None:
    day = Notes(MIDNIGHT - timedelta(days=1), name="w", whole_day=True)
    assert assign_notes([day], NAMED, BY_ID).unclaimed == ("w",)


def test_a_segment_outside_of_its_workout_is_named_with_its_line() -> None:
    notes = Notes(
        START,
        name="run.notes.toml",
        segments=(
            NamedSegment("inside", from_s=0.0, to_s=600.0),
            NamedSegment("after", from_s=1800.0, to_s=2400.0),
            NamedSegment("before", from_utc=START - timedelta(hours=1), to_utc=START),
            NamedSegment("over the end", from_s=1700.0, to_s=9000.0),
        ),
        lines={"segment.after": 9, "segment.before": 13},
    )
    after, before = check_segments(notes, NAMED["early"])
    assert after.startswith("run.notes.toml, line 9: segment 'after' lies outside the workout")
    assert before.startswith("run.notes.toml, line 13: segment 'before' lies outside the workout")


@given(st.permutations([Notes(START), Notes(START + timedelta(hours=8)), Notes(MIDNIGHT)]))
def test_the_order_of_notes_of_different_workouts_does_not_matter(notes: list[Notes]) -> None:
    applies = assign_notes(notes, NAMED, BY_ID).applies
    assert {key: one.start_utc for key, one in applies.items()} == {
        "early": START,
        "late": START + timedelta(hours=8),
    }
