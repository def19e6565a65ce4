-- Notes that no result rests on: they fit no workout, or newer notes of that workout replaced them
SELECT notes.name, notes.start_utc, notes.received_at
FROM notes
WHERE notes.file_id NOT IN (
    SELECT notes_file_id FROM workouts WHERE notes_file_id IS NOT NULL
)
AND notes.file_id NOT IN (SELECT file_id FROM exclusions WHERE file_id IS NOT NULL)
AND NOT starts_with(notes.name, 'corrections-')
ORDER BY notes.received_at, notes.name;
