-- Values that could not be computed, counted by metric and reason
SELECT metric, reason, count(*) AS n_values, count(DISTINCT workout_id) AS n_workouts
FROM latest_results
WHERE value IS NULL
GROUP BY metric, reason
ORDER BY n_values DESC, metric, reason;
