"""What a drop says of files that pairing refuses after they were read."""

from __future__ import annotations

from datetime import UTC, datetime

from flows.runs.read_files import mark_refused
from tasks.core.file_records import FileRecord
from tasks.ingest.exports import FileOutcome


def make_file(file_id: str, name: str) -> FileRecord:
    return FileRecord(
        file_id=file_id,
        name=name,
        folder=None,
        received_at=datetime(2026, 5, 2, tzinfo=UTC),
        bytes=1,
        format="csv",
        status="refused",
        reason="nothing says when",
        inside=None,
        n_recordings=1,
        recording_ids=(f"{file_id}-0",),
        names=(),
    )


def test_a_file_that_nothing_places_is_refused_in_the_line_of_its_drop() -> None:
    outcomes = [FileOutcome("belt.csv", "stored", "aa"), FileOutcome("run.fit", "stored", "bb")]
    marked = mark_refused(outcomes, {"aa": make_file("aa", "belt.csv")})
    assert [(one.name, one.status, one.reason) for one in marked] == [
        ("belt.csv", "refused", "nothing says when"),
        ("run.fit", "stored", None),
    ]


def test_a_file_of_an_earlier_drop_is_named_too() -> None:
    (only,) = mark_refused([], {"aa": make_file("aa", "belt.csv")})
    assert (only.name, only.status, only.is_problem) == ("belt.csv", "refused", True)
