-- Clock offset of every recording against its workout's timeline, and what it was found from
SELECT workouts.start_utc, recordings.device_id, alignments.offset_s, recordings.clock_shift_s,
       alignments.method, alignments.confidence, alignments.note
FROM alignments
JOIN workouts USING (workout_id)
JOIN recordings USING (recording_id)
ORDER BY workouts.start_utc, recordings.device_id;
