-- Devices by their median heart-rate error over all workouts, with the number of workouts behind it
SELECT device_id,
       count(hr_mae_bpm)                      AS n_workouts,
       round(median(hr_mae_bpm), 2)           AS median_mae_bpm,
       round(min(hr_mae_bpm), 2)              AS best_mae_bpm,
       round(max(hr_mae_bpm), 2)              AS worst_mae_bpm,
       string_agg(DISTINCT reference, ', ' ORDER BY reference) AS against
FROM heart_rate
WHERE segment = 'all' AND hr_mae_bpm IS NOT NULL
GROUP BY device_id
ORDER BY median_mae_bpm, device_id;
