-- Exports that were refused or are incomplete, newest first, with the reason
SELECT received_at, status, name, reason
FROM files
WHERE status IN ('refused', 'partial')
ORDER BY received_at DESC, name;
