"""The view of samples on the workout's clock."""

from __future__ import annotations

from typing import Final

from tasks.tables.tables import SAMPLES

#: What is no channel of the samples.
_NOT_CHANNELS: Final = ("time_utc", "piece")
CHANNELS: Final = tuple(
    column for column in SAMPLES.columns if column.name not in (*_NOT_CHANNELS, "recording_id")
)
GRAIN: Final = (
    "one row per sample of a recording in a workout, duplicates left out; read from the lake"
)
COMMENTS: Final = (
    ("workout_id", "Workout"),
    ("device_id", "Device"),
    ("recording_id", "Recording"),
    ("time_utc", "Time on the workout's clock: whole clock shift and offset are added"),
    ("elapsed_s", "Seconds since the start of the workout, on its clock"),
    *((column.name, column.comment) for column in CHANNELS),
)
_ADDED: Final = (
    "to_microseconds(CAST(round(1e6 * (coalesce(recordings.clock_shift_s, 0) "
    "+ coalesce(alignments.offset_s, 0))) AS BIGINT))"
)
#: Pieces of one recording are aligned as the first of them.
QUERY: Final = f"""
SELECT recordings.workout_id, recordings.device_id, samples.recording_id,
  samples.time_utc + {_ADDED} AS time_utc,
  epoch(samples.time_utc + {_ADDED}) - epoch(workouts.start_utc) AS elapsed_s,
  {", ".join(f"samples.{column.name}" for column in CHANNELS)}
FROM samples
JOIN recordings USING (recording_id)
JOIN workouts ON workouts.workout_id = recordings.workout_id
LEFT JOIN alignments ON alignments.workout_id = recordings.workout_id
  AND alignments.recording_id = coalesce(recordings.continues, recordings.recording_id)
WHERE recordings.duplicate_of IS NULL
"""  # noqa: S608 - declared names only
