-- What was set aside and why: no verdict rests on it; coworn exclude takes it back
SELECT workouts.start_utc, exclusions.workout_id, exclusions.device_id, exclusions.domain,
    exclusions.start_utc AS from_utc, exclusions.end_utc AS until_utc, exclusions.because
FROM exclusions
JOIN workouts USING (workout_id)
ORDER BY workouts.start_utc, exclusions.number;
