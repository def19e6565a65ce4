"""What the next runs will do, known from fingerprints alone: nothing is paired or opened."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tasks.archive.ledger import Ledger
from tasks.processing.plan import mark_circumstances, read_circumstances
from tasks.processing.prepare import DEVICES_MARK, NOTES_FORMAT, mark_devices
from tasks.workout.courses import mark_courses

if TYPE_CHECKING:
    import duckdb

    from config.home import Home
    from config.settings import Settings


@dataclass(frozen=True)
class PendingWorkouts:
    """What waits to be measured again.

    `outdated` are the workouts, newest first, whose results rest on other settings, metrics or
    courses than those of today; `new_notes` the names of notes that no run has read yet;
    `devices_changed` says that devices.toml is not the one of the last run, which may touch any
    workout.
    """

    outdated: tuple[str, ...]
    new_notes: tuple[str, ...]
    devices_changed: bool


def find_pending_workouts(
    connection: duckdb.DuckDBPyConnection, home: Home, settings: Settings
) -> PendingWorkouts:
    """Compare what the published results rest on with what there is today."""
    workouts = connection.execute(
        "SELECT workout_id, course, fingerprint FROM workouts ORDER BY start_utc DESC, workout_id"
    ).fetchall()
    read = {row[0] for row in connection.execute("SELECT file_id FROM notes").fetchall()}
    with Ledger(home) as ledger:
        files = ledger.list_files()
        devices_mark = ledger.recall(DEVICES_MARK)
    marks = mark_courses(home.courses)
    today = {
        course: mark_circumstances(settings, course, marks=marks)
        for course in {row[1] for row in workouts}
    }
    return PendingWorkouts(
        outdated=tuple(
            workout_id
            for workout_id, course, fingerprint in workouts
            if read_circumstances(fingerprint) != today[course]
        ),
        new_notes=tuple(
            file.name
            for file in files
            if file.format == NOTES_FORMAT and file.status == "stored" and file.file_id not in read
        ),
        devices_changed=devices_mark is not None and devices_mark != mark_devices(home),
    )
