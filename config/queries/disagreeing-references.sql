-- Recordings whose distance has two references that cannot both be right, newest workout first
SELECT workouts.start_utc, workouts.activity, latest_findings.device_id,
       latest_findings.reference, round(size, 1) AS apart_pct, note
FROM latest_findings
JOIN workouts USING (workout_id)
WHERE kind = 'references_disagree'
ORDER BY workouts.start_utc DESC, latest_findings.device_id, latest_findings.reference;
