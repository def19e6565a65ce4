-- Heart rate of every device against its reference, newest values, whole workouts
SELECT start_utc, activity, device_id, reference, reference_kind, hr_bias_bpm, hr_mae_bpm,
       hr_mae_bpm_ci_low, hr_mae_bpm_ci_high, hr_mae_bpm_n, hr_within_5_bpm_pct, hr_ccc,
       hr_coverage_pct
FROM heart_rate
WHERE segment = 'all'
ORDER BY start_utc, reference, device_id;
