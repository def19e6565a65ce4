"""Which notes give the offset of an export whose times have no zone."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tasks.core.local_times import Decision, decide_offset, show_offset
from tasks.core.notes import Notes

#: Local times of an export, as a clock on the spot showed them.
FIRST = datetime(2026, 5, 2, 7, 30)  # noqa: DTZ001 - that is what it is about
LAST = FIRST + timedelta(hours=1)
QUARTERS = st.integers(-48, 56).filter(bool)


def note(
    text: str, *, name: str = "run.notes.toml", file_id: str | None = None, whole_day: bool = False
) -> Notes:
    start = datetime.fromisoformat(text)
    offset = start.utcoffset() or timedelta()
    return Notes(
        start_utc=start.astimezone(timezone.utc),  # noqa: UP017 - beside timezone(...)
        local_offset_s=int(offset.total_seconds()) or None,
        name=name,
        file_id=file_id or text,
        whole_day=whole_day,
    )


def decide(*notes: Notes) -> int | None:
    return decide_offset(FIRST, LAST, notes).offset_s


@given(QUARTERS)
def test_any_quarter_hour_is_taken_as_the_notes_write_it(quarters: int) -> None:
    zone = timezone(timedelta(minutes=15 * quarters))
    assert decide(note(FIRST.replace(tzinfo=zone).isoformat())) == 900 * quarters


@pytest.mark.parametrize(
    ("start", "expected"),
    [
        # Half an hour early at the most, and no later than the last time of the export.
        ("2026-05-02T07:00:00+05:45", 20_700),
        ("2026-05-02T06:59:59+05:45", None),
        ("2026-05-02T08:30:00+05:45", 20_700),
        ("2026-05-02T08:30:01+05:45", None),
        # The same instant told by a clock elsewhere is no local time of this export.
        ("2026-05-02T01:45:00Z", None),
        ("2026-05-02T03:45:00+02:00", None),
        # The right wall clock, but UTC names no place.
        ("2026-05-02T07:30:00Z", None),
    ],
)
def test_notes_count_by_their_wall_clock(start: str, expected: int | None) -> None:
    assert decide(note(start)) == expected


def test_a_day_without_a_time_gives_no_offset() -> None:
    assert decide(note("2026-05-02T07:30:00+02:00", whole_day=True)) is None


def test_no_notes_decide_nothing() -> None:
    assert decide_offset(FIRST, LAST, ()) == Decision()


def test_notes_that_agree_decide_and_the_first_is_named() -> None:
    found = decide_offset(
        FIRST,
        LAST,
        [
            note("2026-05-02T07:30:00+02:00", name="a.notes.toml"),
            note("2026-05-02T08:00:00+02:00", name="b.notes.toml"),
        ],
    )
    assert found.offset_s == 7200
    assert found.says is not None
    assert "'a.notes.toml' (+02:00)" in found.says


def test_notes_that_disagree_decide_nothing_and_are_named() -> None:
    found = decide_offset(
        FIRST,
        LAST,
        [
            note("2026-05-02T07:30:00+02:00", name="a.notes.toml"),
            note("2026-05-02T07:30:00-03:30", name="b.notes.toml"),
        ],
    )
    assert found.offset_s is None
    assert found.says == (
        "the notes 'a.notes.toml' (+02:00) and 'b.notes.toml' (-03:30) do not agree"
    )


def test_notes_of_the_same_name_replace_those_before() -> None:
    assert decide(note("2026-05-02T07:30:00+02:00"), note("2026-05-02T07:30:00+03:00")) == 10_800


def test_notes_of_the_same_name_about_another_day_replace_nothing() -> None:
    assert decide(note("2026-05-02T07:30:00+02:00"), note("2026-08-02T07:30:00+03:00")) == 7200


def test_two_workouts_of_one_sheet_can_disagree() -> None:
    sheet = [
        note("2026-05-02T07:30:00+02:00", file_id="sheet"),
        note("2026-05-02T08:15:00+01:00", file_id="sheet"),
    ]
    assert decide(*sheet) is None


def test_an_export_of_several_days_is_no_single_workout() -> None:
    notes = [note("2026-05-02T07:30:00+02:00")]
    assert decide_offset(FIRST, FIRST + timedelta(days=2), notes).offset_s == 7200
    assert decide_offset(FIRST, FIRST + timedelta(days=2, seconds=1), notes) == Decision()


@given(st.lists(QUARTERS, min_size=1, max_size=4, unique=True))
def test_the_offset_is_always_one_that_a_note_gave(quarters: list[int]) -> None:
    notes = [
        note(FIRST.replace(tzinfo=timezone(timedelta(minutes=15 * one))).isoformat(), name=str(one))
        for one in quarters
    ]
    expected = 900 * quarters[0] if len(quarters) == 1 else None
    assert decide(*notes) == expected


def test_offsets_are_shown_as_iso_8601_writes_them() -> None:
    assert [show_offset(one) for one in (20_700, -12_600, 0)] == ["+05:45", "-03:30", "+00:00"]
