-- Which strokes each device read, line by line for the strokes that were swum, over all workouts
SELECT device_id,
       replace(segment, 'stroke:', '')                 AS swum,
       count(DISTINCT workout_id)                      AS n_workouts,
       sum(swim_read_as_freestyle_lengths)::INTEGER    AS read_freestyle,
       sum(swim_read_as_backstroke_lengths)::INTEGER   AS read_backstroke,
       sum(swim_read_as_breaststroke_lengths)::INTEGER AS read_breaststroke,
       sum(swim_read_as_butterfly_lengths)::INTEGER    AS read_butterfly,
       sum(swim_read_as_drill_lengths)::INTEGER        AS read_drill,
       sum(swim_read_as_other_lengths)::INTEGER        AS read_other
FROM swimming_all
WHERE reference = 'truth' AND starts_with(segment, 'stroke:')
  AND swim_stroke_type_match_pct IS NOT NULL
GROUP BY device_id, swum
ORDER BY device_id, swum;
