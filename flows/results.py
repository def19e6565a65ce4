"""The main table: one row per recording, what it is held against, its headline numbers."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Final

from flows.terminal import format_number, show_table

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence
    from datetime import datetime

    from rich.console import Console

    from config.home import Home

#: Truth stands before a course, a course before a device; of two devices the one that the heart
#: rate was held against first.
_QUERY: Final = """
WITH heart AS (
  SELECT workout_id, recording_id, reference,
    max(value) FILTER (metric = 'hr_lock_s') AS lock_s,
    max(value) FILTER (metric = 'hr_mae_bpm') AS mae_bpm,
    max(value) FILTER (metric = 'hr_bias_bpm') AS bias_bpm,
    max(value) FILTER (metric = 'hr_within_5_bpm_pct') AS within_pct,
    row_number() OVER (
      PARTITION BY workout_id, recording_id
      ORDER BY max(value) FILTER (metric = 'hr_mae_bpm') IS NULL, min(rowid_of)
    ) AS place
  FROM (SELECT *, row_number() OVER () AS rowid_of FROM latest_results)
  WHERE segment = 'all' AND metric LIKE 'hr_%' AND reference IS NOT NULL
  GROUP BY workout_id, recording_id, reference
),
distance AS (
  SELECT workout_id, recording_id, value AS error_pct, reference,
    row_number() OVER (
      PARTITION BY workout_id, recording_id
      ORDER BY CASE WHEN reference = 'truth' THEN 0 WHEN reference LIKE 'course:%' THEN 1 ELSE 2 END
    ) AS place
  FROM latest_results
  WHERE metric = 'distance_error_pct' AND segment = 'all' AND value IS NOT NULL
),
found AS (
  SELECT workout_id, recording_id, count(*) AS findings
  FROM latest_findings GROUP BY workout_id, recording_id
)
SELECT recordings.workout_id, workouts.start_utc, workouts.activity, recordings.device_id,
  coalesce(devices.role, 'peer') AS role, heart.reference, heart.lock_s, heart.mae_bpm,
  heart.bias_bpm, heart.within_pct, distance.error_pct, distance.reference AS distance_reference,
  coalesce(found.findings, 0) AS findings
FROM recordings
JOIN workouts USING (workout_id)
LEFT JOIN devices ON devices.device_id = recordings.device_id
LEFT JOIN heart ON heart.place = 1 AND heart.workout_id = recordings.workout_id
  AND heart.recording_id = recordings.recording_id
LEFT JOIN distance ON distance.place = 1 AND distance.workout_id = recordings.workout_id
  AND distance.recording_id = recordings.recording_id
LEFT JOIN found ON found.workout_id = recordings.workout_id
  AND found.recording_id = recordings.recording_id
WHERE recordings.duplicate_of IS NULL AND recordings.continues IS NULL
ORDER BY workouts.start_utc, recordings.workout_id, role DESC, recordings.device_id
"""


@dataclass(frozen=True)
class MainRow:
    """One recording and its headline numbers; None where there is no value."""

    workout_id: str
    start_utc: datetime
    activity: str | None
    device_id: str
    role: str
    reference: str | None
    lock_s: float | None
    mae_bpm: float | None
    bias_bpm: float | None
    within_pct: float | None
    error_pct: float | None
    distance_reference: str | None
    findings: int

    @property
    def has_numbers(self) -> bool:
        """Say whether anything was measured."""
        numbers = (self.lock_s, self.mae_bpm, self.bias_bpm, self.within_pct, self.error_pct)
        return any(number is not None for number in numbers) or self.findings > 0

    def as_dictionary(self) -> dict[str, Any]:
        """Give the row with times as text, as Prefect's tables want it."""
        row = asdict(self)
        row["start_utc"] = self.start_utc.isoformat()
        return row


def read_main_rows(home: Home, *, workout_ids: Collection[str] | None = None) -> list[MainRow]:
    """Read the main rows from the newest published copy; of all workouts, or of `workout_ids`.

    Raises: CowornError when nothing was published yet.
    """
    from tasks.store import connect_for_reading, run_query

    connection = connect_for_reading(home)
    try:
        rows = run_query(connection, _QUERY).to_pylist()
    finally:
        connection.close()
    made = [MainRow(**row) for row in rows]
    if workout_ids is None:
        return made
    wanted = set(workout_ids)
    return [row for row in made if row.workout_id in wanted]


def show_main_rows(rows: Sequence[MainRow], *, console: Console) -> None:
    """Print the main table, without recordings of which nothing was measured, e.g. references."""
    headings = (
        "workout, device",
        "activity, role",
        "heart rate\nagainst",
        "lock\ns",
        "MAE\nbpm",
        "bias\nbpm",
        "within\n5 bpm %",
        "distance\nerror %",
        "distance\nagainst",
        "findings",
    )
    cells: list[tuple[object, ...]] = []
    before: str | None = None
    for row in rows:
        if not row.has_numbers:
            continue
        if row.workout_id != before:
            empty = (" ",) * (len(headings) - 2)
            cells.append((f"{row.start_utc:%Y-%m-%d %H:%M}Z", row.activity, *empty))
        cells.append(
            (
                f"  {row.device_id}",
                f"  {row.role}",
                row.reference,
                format_number(row.lock_s, digits=0),
                format_number(row.mae_bpm),
                format_number(row.bias_bpm, signed=True),
                format_number(row.within_pct, digits=0),
                format_number(row.error_pct, signed=True),
                row.distance_reference,
                row.findings or "-",
            )
        )
        before = row.workout_id
    numbers = (*headings[3:8], headings[9])
    show_table(console, headings, cells, right=numbers)
