-- Every setup key that was noted, with its values and how often each was worn
SELECT key, device_id, value, count(*) AS n_workouts, min(start_utc) AS first_utc,
       max(start_utc) AS last_utc
FROM setups
JOIN workouts USING (workout_id)
GROUP BY key, device_id, value
ORDER BY key, device_id, value;
