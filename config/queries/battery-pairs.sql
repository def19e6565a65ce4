-- Battery use of two devices in the same workout, with the bounds of their difference
WITH compared AS (
    SELECT workout_id, device_id, reference,
           max(value)   FILTER (WHERE metric = 'battery_rate_difference_pct_per_h') AS difference,
           max(ci_low)  FILTER (WHERE metric = 'battery_rate_difference_pct_per_h') AS low,
           max(ci_high) FILTER (WHERE metric = 'battery_rate_difference_pct_per_h') AS high,
           max(value)   FILTER (WHERE metric = 'battery_shared_range_pct')          AS shared
    FROM latest_results
    WHERE segment = 'all' AND reference IS NOT NULL AND metric LIKE 'battery\_%' ESCAPE '\'
    GROUP BY workout_id, device_id, reference
    HAVING difference IS NOT NULL
),
settings AS (
    SELECT workout_id, device_id, string_agg(key || '=' || value, ', ' ORDER BY key) AS setup
    FROM setups
    WHERE key NOT IN ('battery_start_pct', 'battery_end_pct', 'prompt_utc')
    GROUP BY workout_id, device_id
)
SELECT workouts.start_utc, compared.device_id, compared.reference AS against,
       own.setup, other.setup             AS against_setup,
       round(compared.difference, 2)      AS difference_pct_per_h,
       round(compared.low, 2)             AS low_pct_per_h,
       round(compared.high, 2)            AS high_pct_per_h,
       round(compared.shared, 0)          AS shared_range_pct,
       CASE WHEN compared.shared < 50 THEN 'different ranges of charge' END AS warning
FROM compared
JOIN workouts USING (workout_id)
LEFT JOIN settings AS own
  ON own.workout_id = compared.workout_id AND own.device_id = compared.device_id
LEFT JOIN settings AS other
  ON other.workout_id = compared.workout_id AND other.device_id = compared.reference
ORDER BY workouts.start_utc, compared.device_id, against;
