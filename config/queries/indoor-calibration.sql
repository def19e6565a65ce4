-- Indoor distance error of every device by date and pace, with the factor that would correct it
SELECT workouts.start_utc, latest_results.device_id, latest_results.reference, latest_results.segment,
       round(max(value)   FILTER (WHERE metric = 'indoor_speed_mps'), 2)          AS speed_mps,
       round(max(value)   FILTER (WHERE metric = 'indoor_distance_error_pct'), 2) AS error_pct,
       round(max(ci_low)  FILTER (WHERE metric = 'indoor_distance_error_pct'), 2) AS low_pct,
       round(max(ci_high) FILTER (WHERE metric = 'indoor_distance_error_pct'), 2) AS high_pct,
       round(max(value)   FILTER (WHERE metric = 'indoor_calibration_factor'), 4) AS factor
FROM latest_results
JOIN workouts USING (workout_id)
WHERE metric LIKE 'indoor\_%' ESCAPE '\'
GROUP BY workouts.start_utc, latest_results.device_id, latest_results.reference, latest_results.segment
HAVING error_pct IS NOT NULL
ORDER BY latest_results.device_id, workouts.start_utc, speed_mps;
