"""From rows of the ledger to what is known of an export."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from tasks.core.file_records import DroppedName, FileRecord

if TYPE_CHECKING:
    import sqlite3


def group_rows(rows: list[sqlite3.Row]) -> dict[str, list[sqlite3.Row]]:
    """Return the rows of each file."""
    grouped: dict[str, list[sqlite3.Row]] = {}
    for row in rows:
        grouped.setdefault(row["file_id"], []).append(row)
    return grouped


def make_record(
    row: sqlite3.Row, names: list[sqlite3.Row], recordings: list[sqlite3.Row]
) -> FileRecord:
    """Return what is known of one export."""
    seen = tuple(
        DroppedName(name["name"], name["folder"] or None, datetime.fromisoformat(name["seen_at"]))
        for name in names
    )
    return FileRecord(
        file_id=row["file_id"],
        name=seen[0].name,
        folder=seen[0].folder,
        received_at=datetime.fromisoformat(row["received_at"]),
        bytes=row["bytes"],
        format=row["format"],
        status=row["status"],
        reason=row["reason"],
        inside=row["inside"],
        n_recordings=row["n_recordings"],
        recording_ids=tuple(recording["recording_id"] for recording in recordings),
        names=seen,
    )
