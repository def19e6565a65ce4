-- Distance of every device: its own total, the sum of its positions, and the error where one is known
SELECT workouts.start_utc, workouts.activity, latest_results.device_id, latest_results.reference,
       latest_results.metric, latest_results.value, latest_results.unit, latest_results.reason
FROM latest_results
JOIN workouts USING (workout_id)
WHERE latest_results.metric LIKE 'distance\_%' ESCAPE '\' AND latest_results.segment = 'all'
ORDER BY workouts.start_utc, latest_results.metric, latest_results.device_id;
