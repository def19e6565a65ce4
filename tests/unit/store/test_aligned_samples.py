"""Samples on the workout's clock: what is added to the recordings' times."""

from __future__ import annotations

import duckdb
import pytest

from tasks.store import aligned

SCHEMA = """
CREATE TABLE workouts (workout_id VARCHAR, start_utc TIMESTAMPTZ);
INSERT INTO workouts VALUES ('w', '2026-05-02 07:30:00+00');
CREATE TABLE recordings (recording_id VARCHAR, workout_id VARCHAR, device_id VARCHAR,
  clock_shift_s DOUBLE, continues VARCHAR, duplicate_of VARCHAR);
INSERT INTO recordings VALUES
  ('strap', 'w', 'hazel', 0, NULL, NULL), ('watch', 'w', 'alder', 3600, NULL, NULL),
  ('rest', 'w', 'alder', 3600, 'watch', NULL), ('again', 'w', 'alder', 3600, NULL, 'watch');
CREATE TABLE alignments (workout_id VARCHAR, recording_id VARCHAR, offset_s DOUBLE);
INSERT INTO alignments VALUES ('w', 'strap', 0), ('w', 'watch', -2.5);
"""


@pytest.fixture
def connection() -> duckdb.DuckDBPyConnection:
    made = duckdb.connect()
    made.execute("SET TimeZone = 'UTC'")
    made.execute(SCHEMA)
    channels = ", ".join(f"NULL::DOUBLE AS {column.name}" for column in aligned.CHANNELS[1:])
    first = aligned.CHANNELS[0].name
    made.execute(
        f"CREATE TABLE samples AS SELECT *, 1.0 AS {first}, {channels} FROM (VALUES "  # noqa: S608 - our own names
        "('strap', TIMESTAMPTZ '2026-05-02 07:30:10+00'), "
        "('watch', TIMESTAMPTZ '2026-05-02 06:30:12.5+00'), "
        "('rest', TIMESTAMPTZ '2026-05-02 06:30:32.5+00'), "
        "('again', TIMESTAMPTZ '2026-05-02 06:30:12.5+00')) AS rows (recording_id, time_utc)"
    )
    made.execute(f"CREATE VIEW aligned_samples AS {aligned.QUERY}")
    return made


def test_shift_and_offset_are_added_also_to_a_piece_that_follows(
    connection: duckdb.DuckDBPyConnection,
) -> None:
    rows = connection.execute(
        "SELECT recording_id, device_id, elapsed_s FROM aligned_samples ORDER BY elapsed_s, 1"
    ).fetchall()
    assert rows == [("strap", "hazel", 10.0), ("watch", "alder", 10.0), ("rest", "alder", 30.0)]


def test_every_channel_of_the_samples_is_there(connection: duckdb.DuckDBPyConnection) -> None:
    answer = connection.execute("SELECT * FROM aligned_samples")
    assert [part[0] for part in answer.description or ()] == [name for name, _ in aligned.COMMENTS]
