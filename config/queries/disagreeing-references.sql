-- Recordings whose distance, ascent or heart rate has two references that cannot both be right
SELECT workouts.start_utc, workouts.activity, latest_findings.device_id, kind,
       latest_findings.reference, round(size, 1) AS apart, unit, latest_findings.note
FROM latest_findings
JOIN workouts USING (workout_id)
WHERE ends_with(kind, 'references_disagree')
ORDER BY workouts.start_utc DESC, latest_findings.device_id, kind, latest_findings.reference;
