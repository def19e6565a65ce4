-- Distance of every device: its own total, the sum of its positions, and the error where one is known
SELECT start_utc, activity, device_id, distance_own_m, distance_summed_m, reference, reference_kind,
       round(distance_error_m, 1)   AS error_m,
       round(distance_error_pct, 2) AS error_pct
FROM distance
WHERE segment = 'all'
ORDER BY start_utc, device_id;
