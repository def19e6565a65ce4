-- Differences between devices none of which is a reference: no error of either, whole workouts
SELECT workouts.start_utc, workouts.activity, latest_results.device_id,
       latest_results.reference AS differs_from, latest_results.metric,
       round(latest_results.value, 3) AS difference, latest_results.unit
FROM latest_results
JOIN workouts USING (workout_id)
WHERE reference_kind = 'comparison' AND segment = 'all' AND value IS NOT NULL
ORDER BY workouts.start_utc, latest_results.metric, latest_results.device_id, differs_from;
