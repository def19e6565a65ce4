-- Heart rate of two devices side by side on the clock of the newest workout, second by second
SELECT round(elapsed_s)                                           AS elapsed_s,
       avg(heart_rate_bpm) FILTER (device_id = 'alder-2')         AS alder_2_bpm,
       avg(heart_rate_bpm) FILTER (device_id = 'alder-1')         AS alder_1_bpm
FROM aligned_samples
WHERE workout_id = (SELECT arg_max(workout_id, start_utc) FROM workouts)
GROUP BY 1
ORDER BY 1;
