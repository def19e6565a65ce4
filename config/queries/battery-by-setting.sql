-- Battery use of each device by setup key: two settings across workouts, with what speaks against it
WITH rates AS (
    SELECT workout_id, device_id,
           max(value) FILTER (WHERE metric = 'battery_rate_pct_per_h') AS rate,
           max(value) FILTER (WHERE metric = 'battery_from_pct')       AS from_pct,
           max(value) FILTER (WHERE metric = 'battery_to_pct')         AS to_pct
    FROM latest_results
    WHERE segment = 'all' AND reference IS NULL AND metric LIKE 'battery\_%' ESCAPE '\'
    GROUP BY workout_id, device_id
    HAVING rate IS NOT NULL
),
by_setting AS (
    SELECT device_id, key, setups.value AS setting,
           count(*)      AS n_workouts,
           avg(rate)     AS mean_rate,
           min(rate)     AS least_rate,
           max(rate)     AS greatest_rate,
           avg(from_pct) AS from_pct,
           avg(to_pct)   AS to_pct
    FROM rates
    JOIN setups USING (workout_id, device_id)
    WHERE key NOT IN ('battery_start_pct', 'battery_end_pct', 'prompt_utc')
    GROUP BY ALL
),
pairs AS (
    SELECT one.device_id, one.key,
           one.setting    AS setting,   other.setting    AS other_setting,
           one.n_workouts AS n_workouts, other.n_workouts AS other_n_workouts,
           one.mean_rate  AS mean_rate, other.mean_rate  AS other_mean_rate,
           one.least_rate, one.greatest_rate,
           other.least_rate AS other_least_rate, other.greatest_rate AS other_greatest_rate,
           least(one.from_pct, other.from_pct) - greatest(one.to_pct, other.to_pct) AS shared_pct,
           least(one.from_pct - one.to_pct, other.from_pct - other.to_pct)          AS narrower_pct
    FROM by_setting AS one
    JOIN by_setting AS other
      ON other.device_id = one.device_id AND other.key = one.key AND other.setting > one.setting
)
SELECT device_id, key, setting, other_setting, n_workouts, other_n_workouts,
       round(mean_rate, 2)                   AS mean_pct_per_h,
       round(other_mean_rate, 2)             AS other_mean_pct_per_h,
       round(other_mean_rate - mean_rate, 2) AS difference_pct_per_h,
       round(least_rate, 2)                  AS least_pct_per_h,
       round(greatest_rate, 2)               AS greatest_pct_per_h,
       round(other_least_rate, 2)            AS other_least_pct_per_h,
       round(other_greatest_rate, 2)         AS other_greatest_pct_per_h,
       nullif(concat_ws('; ',
           CASE WHEN least(n_workouts, other_n_workouts) < 3 THEN 'fewer than three workouts each' END,
           CASE WHEN shared_pct < 0.5 * narrower_pct OR shared_pct < 0 THEN 'different ranges of charge' END
       ), '')                                AS warning
FROM pairs
ORDER BY device_id, key, setting, other_setting;
