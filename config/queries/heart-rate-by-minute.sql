-- Heart rate of every recording of the newest workout, minute by minute, on the devices' own clocks
SELECT date_trunc('minute', samples.time_utc)  AS minute_utc,
       recordings.device_id,
       round(avg(samples.heart_rate_bpm), 1)   AS heart_rate_bpm,
       count(samples.heart_rate_bpm)           AS n_samples
FROM samples
JOIN recordings USING (recording_id)
WHERE recordings.workout_id = (SELECT arg_max(workout_id, start_utc) FROM workouts)
GROUP BY minute_utc, recordings.device_id
HAVING n_samples > 0
ORDER BY minute_utc, recordings.device_id;
