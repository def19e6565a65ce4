"""The view `headlines`: one row per recording, with the numbers that are said first."""

from __future__ import annotations

from typing import Final

#: Of a metric the main row with a value, else a difference from a device that is no reference, as
#: its kind says; the numbers of heart rate are all against the reference of its mean error.
HEADLINES: Final = """
WITH ranked AS (
  SELECT workout_id, recording_id, metric, reference, reference_kind,
    CASE WHEN is_excluded IS DISTINCT FROM true THEN value END AS value,
    CASE WHEN value IS NULL THEN 200 ELSE 0 END + CASE WHEN is_main IS FALSE THEN 100 ELSE 0 END
      + least(coalesce(reference_rank, 1), 99) AS place
  FROM latest_results WHERE segment = 'all' AND metric IN ('hr_mae_bpm', 'distance_error_pct')
),
best AS (
  SELECT workout_id, recording_id,
    arg_min(reference, place) FILTER (metric = 'hr_mae_bpm') AS hr_reference,
    arg_min(reference_kind, place) FILTER (metric = 'hr_mae_bpm') AS hr_reference_kind,
    arg_min(reference, place) FILTER (metric = 'distance_error_pct' AND value IS NOT NULL)
      AS distance_reference,
    arg_min(reference_kind, place) FILTER (metric = 'distance_error_pct' AND value IS NOT NULL)
      AS distance_reference_kind,
    arg_min(value, place) FILTER (metric = 'distance_error_pct') AS distance_error_pct
  FROM ranked GROUP BY workout_id, recording_id
),
heart AS (
  SELECT results.workout_id, results.recording_id,
    max(value) FILTER (metric = 'hr_lock_s') AS hr_lock_s,
    max(value) FILTER (metric = 'hr_mae_bpm') AS hr_mae_bpm,
    max(value) FILTER (metric = 'hr_bias_bpm') AS hr_bias_bpm,
    max(value) FILTER (metric = 'hr_within_5_bpm_pct') AS hr_within_5_bpm_pct
  FROM latest_results AS results
  JOIN best ON best.workout_id = results.workout_id AND best.recording_id = results.recording_id
    AND best.hr_reference = results.reference
  WHERE segment = 'all' AND is_excluded IS DISTINCT FROM true
    AND metric IN ('hr_lock_s', 'hr_mae_bpm', 'hr_bias_bpm', 'hr_within_5_bpm_pct')
  GROUP BY results.workout_id, results.recording_id
),
found AS (
  SELECT workout_id, recording_id, count(*) FILTER (kind <> 'cut_corner')
    + count(DISTINCT coalesce(reference, '')) FILTER (kind = 'cut_corner') AS n_findings
  FROM latest_findings WHERE is_excluded IS DISTINCT FROM true
  GROUP BY workout_id, recording_id
),
clocks AS (
  SELECT best.workout_id, best.recording_id, arg_max(alignments.clock, CASE
    WHEN alignments.clock LIKE 'in doubt%' THEN 2e9
    WHEN alignments.clock = 'not compared' THEN 1e9
    ELSE coalesce(try_cast(regexp_extract(alignments.clock, '[0-9]+') AS DOUBLE), 0) END)
    AS hr_clock
  FROM best
  JOIN recordings ON recordings.workout_id = best.workout_id
    AND (recordings.recording_id = best.recording_id OR recordings.device_id = best.hr_reference)
  JOIN alignments ON alignments.workout_id = recordings.workout_id
    AND alignments.recording_id = recordings.recording_id
  WHERE best.hr_reference IS NOT NULL
  GROUP BY best.workout_id, best.recording_id
)
SELECT recordings.workout_id, workouts.start_utc, workouts.activity, recordings.recording_id,
  recordings.device_id, coalesce(devices.role, 'peer') AS role,
  best.hr_reference, best.hr_reference_kind, clocks.hr_clock,
  heart.hr_lock_s, heart.hr_mae_bpm, heart.hr_bias_bpm,
  heart.hr_within_5_bpm_pct, best.distance_reference, best.distance_reference_kind,
  best.distance_error_pct, coalesce(found.n_findings, 0) AS n_findings,
  coalesce(recordings.is_excluded, false) AS is_excluded,
  recordings.excluded_because
FROM recordings
JOIN workouts USING (workout_id)
LEFT JOIN devices ON devices.device_id = recordings.device_id
LEFT JOIN best ON best.workout_id = recordings.workout_id
  AND best.recording_id = recordings.recording_id
LEFT JOIN heart ON heart.workout_id = recordings.workout_id
  AND heart.recording_id = recordings.recording_id
LEFT JOIN clocks ON clocks.workout_id = recordings.workout_id
  AND clocks.recording_id = recordings.recording_id
LEFT JOIN found ON found.workout_id = recordings.workout_id
  AND found.recording_id = recordings.recording_id
WHERE recordings.duplicate_of IS NULL AND recordings.continues IS NULL
"""
_KIND: Final = "truth, course, device, consensus, or comparison: then it is no error"
_GRAIN: Final = (
    "one row per recording that was measured, with the numbers that are said first, of the whole "
    "workout; where the kind of reference is comparison they differ from another device's, which "
    "is no error"
)
#: What a row is, and the meaning of its columns.
COMMENTS: Final = (
    _GRAIN,
    (
        ("workout_id", "Key of the workout"),
        ("start_utc", "First instant of the workout [UTC]"),
        ("activity", "Activity of the workout"),
        ("recording_id", "Key of the recording"),
        ("device_id", "Key of the device"),
        ("role", "Role of the device; one that was not named is a peer"),
        ("hr_reference", "What the heart rate is compared with"),
        ("hr_reference_kind", _KIND),
        (
            "hr_clock",
            "How well the clocks of both are known: sure, +-N s, not compared, or in doubt",
        ),
        ("hr_lock_s", "Time to lock [s]"),
        ("hr_mae_bpm", "Mean absolute error of the heart rate [bpm]"),
        ("hr_bias_bpm", "Mean error of the heart rate [bpm]"),
        ("hr_within_5_bpm_pct", "Share of seconds within 5 bpm [%]"),
        ("distance_reference", "What the distance is compared with"),
        ("distance_reference_kind", _KIND),
        ("distance_error_pct", "Error of the distance [%]"),
        ("n_findings", "How many things happened to the recording; its cut corners are one"),
        ("is_excluded", "True where the whole recording is set aside: it has no numbers here"),
        ("excluded_because", "Why it, or a part of it, is set aside; null: nothing is"),
    ),
)
