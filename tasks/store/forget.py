"""Removing rows for good, also those of append-only tables, and the bytes that held them."""

from __future__ import annotations

import uuid
from typing import TYPE_CHECKING

from tasks.core.durable import sync_folder
from tasks.store.connect import open_store
from tasks.store.ddl import BUILDING, create_facts, sync_file
from tasks.store.transfer import attach_store, copy_tables, finish_copy, release_store

if TYPE_CHECKING:
    from collections.abc import Sequence

    import duckdb

    from config.home import Home

#: Tables that hold something of a workout which is gone.
_OF_WORKOUTS = ("segments", "setups", "exclusions", "workouts")


def delete_recordings(
    home: Home,
    recording_ids: Sequence[str],
    *,
    file_ids: Sequence[str],
    workouts: Sequence[str],
    wait_s: float,
) -> int:
    """Remove recordings, their files, and all that was ever measured of their `workouts`.

    Values of other devices hang on what they were compared with: their history goes, too, and the
    workouts count as never measured. Returns how many rows went. Raises: StoreBusyError.
    """
    ids, files, of_workouts = list(recording_ids), list(file_ids), list(workouts)
    with open_store(home, wait_s=wait_s) as connection:
        n_rows = 0
        for table, column, values in (
            ("results", "workout_id", of_workouts),
            ("findings", "workout_id", of_workouts),
            ("measurements", "workout_id", of_workouts),
            ("results", "recording_id", ids),
            ("findings", "recording_id", ids),
            ("alignments", "recording_id", ids),
            ("recordings", "recording_id", ids),
            ("files", "file_id", files),
            ("notes", "file_id", files),
        ):
            n_rows += _delete(connection, f"DELETE FROM {table} WHERE {column} IN", values)  # noqa: S608
        connection.execute(
            "UPDATE workouts SET fingerprint = NULL "
            "WHERE workout_id IN (SELECT unnest(?::VARCHAR[]))",
            [of_workouts],
        )
        for table in _OF_WORKOUTS:
            n_rows += _delete(
                connection,
                f"DELETE FROM {table} WHERE workout_id NOT IN "  # noqa: S608 - our own names
                "(SELECT workout_id FROM recordings WHERE workout_id IS NOT NULL) "
                "AND workout_id IN",
                of_workouts,
            )
    return n_rows


def _delete(connection: duckdb.DuckDBPyConnection, statement: str, values: list[str]) -> int:
    rows = connection.execute(f"{statement} (SELECT unnest(?::VARCHAR[]))", [values]).fetchall()
    return int(rows[0][0])


def rewrite_store(home: Home, *, wait_s: float) -> None:
    """Write the store into a new file: rows that were removed leave their bytes in the old one.

    Raises: StoreBusyError.
    """
    building = home.store.with_name(f".{home.store.stem}-{uuid.uuid4().hex}{BUILDING}")
    try:
        with attach_store(home, wait_s=wait_s) as connection:
            copy_tables(connection, building)
            create_facts(connection)
            release_store(connection)
            finish_copy(connection)
        building.chmod(0o600)
        sync_file(building)
        building.replace(home.store)
        home.store.with_name(home.store.name + ".wal").unlink(missing_ok=True)
        sync_folder(home.store.parent)
    finally:
        building.unlink(missing_ok=True)
