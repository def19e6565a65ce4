"""Finds a workout that a person names, and the devices that recorded it."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

from config.devices import load_devices
from tasks.core.errors import UsageError
from tasks.core.parts import find_whole
from tasks.processing.naming import collect_words
from tasks.store import read_store

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from config.home import Home
    from tasks.processing.naming import DeviceWords


@dataclass(frozen=True)
class KnownWorkout:
    """A workout of the store.

    `recordings` are devices by recording; `from_notes` the notes of a person that set something
    of it aside.
    """

    workout_id: str
    start_utc: datetime
    end_utc: datetime
    recordings: Mapping[str, str]
    words: DeviceWords
    from_notes: tuple[str, ...] = ()
    activity: str | None = None

    @property
    def duration(self) -> str:
        """How long it went, as h:mm:ss."""
        return str(timedelta(seconds=round((self.end_utc - self.start_utc).total_seconds())))

    def after_start(self, seconds: float) -> datetime:
        """Return an instant so many seconds after the start."""
        return self.start_utc + timedelta(seconds=seconds)

    def find_device(self, word: str) -> str:
        """Return the id of a device that recorded it. Raises: UsageError."""
        device_id = self.words.find(word)
        living = sorted(set(self.recordings.values()))
        if device_id in living:
            return str(device_id)
        if device_id is None and word.strip().casefold() in self.words.shared:
            raise UsageError(self.words.explain(word))
        near = difflib.get_close_matches(word, living, n=1)
        hint = f"did you mean {near[0]}? " if near else ""
        raise UsageError(
            f"{word!r} did not record {self.workout_id}; {hint}it was recorded by "
            f"{', '.join(living)}"
        )


def find_workout(home: Home, word: str) -> KnownWorkout:
    """Return the workout whose id is `word`, or begins with it. Raises: UsageError."""
    with read_store(home) as connection:
        rows = connection.execute(
            "SELECT workout_id, start_utc, end_utc, activity FROM workouts ORDER BY start_utc"
        ).fetchall()
        fitting = [row for row in rows if row[0] == word] or [
            row for row in rows if word and row[0].startswith(word)
        ]
        if len(fitting) != 1:
            raise UsageError(_explain(word, [row[0] for row in fitting], [row[0] for row in rows]))
        workout_id, start, end, activity = fitting[0]
        recordings = connection.execute(
            "SELECT recording_id, device_id FROM recordings WHERE workout_id = ? ORDER BY 1",
            [workout_id],
        ).fetchall()
        names = connection.execute("SELECT device_id, name FROM devices").fetchall()
        notes = connection.execute(
            "SELECT DISTINCT notes.name FROM exclusions JOIN notes USING (file_id) "
            "WHERE workout_id = ? ORDER BY 1",
            [workout_id],
        ).fetchall()
    return KnownWorkout(
        workout_id,
        start.astimezone(UTC),
        end.astimezone(UTC),
        dict(recordings),
        collect_words(load_devices(home.devices), names, {}),
        tuple(name for (name,) in notes),
        activity,
    )


@dataclass(frozen=True)
class RecordingSpan:
    """When a recording was made, on the clock of its workout.

    `added` is what was added to its own clock; `whole_start_utc` is the start, on its own clock, of
    what it is a part of.
    """

    recording_id: str
    start_utc: datetime
    end_utc: datetime
    added: timedelta
    whole_start_utc: datetime
    is_elapsed: bool


_SPANS: Final = """
SELECT recording_id, recordings.start_utc, recordings.end_utc, recordings.workout_id,
  coalesce(clock_shift_s, 0) + coalesce(alignments.offset_s, 0) AS added_s,
  time_basis = 'elapsed' AS is_elapsed
FROM recordings LEFT JOIN alignments USING (recording_id)
ORDER BY recordings.start_utc, recording_id
"""


def find_spans(home: Home, *, workout_id: str | None, recording: str) -> list[RecordingSpan]:
    """Return the recordings of a workout, or without one that whose id begins with `recording`.

    Raises: UsageError.
    """
    with read_store(home) as connection:
        rows = connection.execute(_SPANS).fetchall()
    starts = {find_whole(row[0]): row[1] for row in reversed(rows)}
    found = [
        RecordingSpan(
            recording_id,
            (start + timedelta(seconds=added_s)).astimezone(UTC),
            (end + timedelta(seconds=added_s)).astimezone(UTC),
            timedelta(seconds=added_s),
            starts[find_whole(recording_id)].astimezone(UTC),
            is_elapsed,
        )
        for recording_id, start, end, of, added_s, is_elapsed in rows
        if (of == workout_id if workout_id is not None else recording_id.startswith(recording))
    ]
    if workout_id is None and len(found) != 1:
        exact = [span for span in found if span.recording_id == recording]
        if len(exact) == 1:
            return exact
        raise UsageError(_explain_recordings(recording, len(found)))
    return found


def find_recordings(home: Home, words: Sequence[str]) -> dict[str, datetime]:
    """Return recordings by id, or how it begins, with their starts. Raises: UsageError."""
    with read_store(home) as connection:
        rows = connection.execute("SELECT recording_id, start_utc FROM recordings").fetchall()
    found: dict[str, datetime] = {}
    for word in words:
        fitting = [row for row in rows if word and row[0].startswith(word)]
        fitting = [row for row in fitting if row[0] == word] or fitting
        if len(fitting) != 1:
            raise UsageError(_explain_recordings(word, len(fitting)))
        found[fitting[0][0]] = fitting[0][1].astimezone(UTC)
    return found


def _explain_recordings(word: str, n_found: int) -> str:
    many = f"{n_found} recordings" if n_found else "no recording"
    return f"the id of {many} begins with {word!r}; coworn explain shows ids"


def _explain(word: str, fitting: list[str], ids: list[str]) -> str:
    if fitting:
        listed = ", ".join(fitting)
        return f"the ids of {len(fitting)} workouts begin with {word!r}: {listed}; write more of it"
    near = difflib.get_close_matches(word, ids, n=1)
    if near:
        return f"there is no workout {word!r}; did you mean {near[0]}?"
    newest = f"; the newest are {', '.join(ids[-3:])}" if ids else "; there is none yet"
    return f"there is no workout {word!r}{newest}"
