-- What each device usually does in heart rate: median of its workouts with interval, by activity
SELECT device_id,
       activity,
       n_workouts,
       round(median, 2)         AS median_mae_bpm,
       round(median_ci_low, 2)  AS ci_low,
       round(median_ci_high, 2) AS ci_high,
       round(sd, 2)             AS sd_bpm
FROM latest_levels
WHERE metric = 'hr_mae_bpm' AND condition = 'all' AND n_workouts > 0
ORDER BY activity, median_mae_bpm, device_id;
