"""The view `worn_setups`: how each device was set and worn in each workout, firmware included."""

from __future__ import annotations

from typing import Final

from tasks.tables.tables import SETUPS

#: The notes know better than the export, which may name the firmware, too.
QUERY: Final = """
SELECT workout_id, device_id, key, value FROM setups
UNION ALL
SELECT workout_id, device_id, 'firmware', min(firmware) FROM recordings
WHERE duplicate_of IS NULL AND firmware IS NOT NULL AND workout_id IS NOT NULL
  AND NOT EXISTS (FROM setups WHERE setups.workout_id = recordings.workout_id
    AND setups.device_id = recordings.device_id AND setups.key = 'firmware')
GROUP BY workout_id, device_id
"""
GRAIN: Final = (
    "one row per workout, device and setup key; the firmware is that of the notes, else of the file"
)
COMMENTS: Final = tuple((column.name, column.comment) for column in SETUPS.columns)
