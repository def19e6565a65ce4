-- Devices by their median heart-rate error over all workouts, with the number of workouts behind it
SELECT device_id,
       reference,
       count(DISTINCT workout_id)             AS n_workouts,
       round(median(value), 2)                AS median_mae_bpm,
       round(min(value), 2)                   AS best_mae_bpm,
       round(max(value), 2)                   AS worst_mae_bpm
FROM latest_results
WHERE metric = 'hr_mae_bpm' AND segment = 'all' AND value IS NOT NULL
GROUP BY device_id, reference
ORDER BY median_mae_bpm, device_id;
