-- What happened to each device: findings counted by kind, with their total duration
SELECT device_id,
       kind,
       count(*)                                              AS n_findings,
       count(DISTINCT workout_id)                            AS n_workouts,
       round(sum(epoch(end_utc) - epoch(start_utc)), 0)      AS total_s
FROM latest_findings
GROUP BY device_id, kind
ORDER BY device_id, n_findings DESC, kind;
