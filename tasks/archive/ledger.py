"""The ledger: which files were seen, what became of each, which recordings came out of them.

It is SQLite in its write-ahead mode: several processes use it at once, each change is one short
transaction, and what a method has written is on the disk when it returns. A file goes from
"archived" to its outcome; whatever still says "archived" was interrupted and is done again.
"""

from __future__ import annotations

import contextlib
import sqlite3
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final, Self, get_args

from tasks.archive.ledger_rows import group_rows, make_record
from tasks.core.errors import CowornError, StoreBusyError
from tasks.core.file_records import FileRecord, Status

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping
    from types import TracebackType

    from config.home import Home

DEFAULT_WAIT_S: Final = 30.0

_SCHEMA_VERSION: Final = 1
_SCHEMA: Final = """
CREATE TABLE files (
  file_id TEXT PRIMARY KEY, received_at TEXT NOT NULL, bytes INTEGER NOT NULL, format TEXT,
  status TEXT NOT NULL, reason TEXT, inside TEXT, n_recordings INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE INDEX files_by_status ON files (status);
CREATE TABLE names (
  file_id TEXT NOT NULL REFERENCES files, name TEXT NOT NULL, folder TEXT NOT NULL DEFAULT '',
  seen_at TEXT NOT NULL, PRIMARY KEY (file_id, name, folder)
) STRICT;
CREATE TABLE recordings (
  recording_id TEXT PRIMARY KEY, file_id TEXT NOT NULL REFERENCES files, workout_id TEXT,
  settled INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE INDEX recordings_by_file ON recordings (file_id);
CREATE INDEX recordings_by_workout ON recordings (workout_id);
CREATE TABLE memory (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
"""

#: Key under which the start of the last nightly run is kept.
LAST_NIGHTLY: Final = "last_nightly_utc"
LAST_AWAY: Final = "last_backup_away"


class LedgerError(CowornError):
    """The ledger cannot be used."""


class Ledger:
    """One connection to the ledger; use it in a `with` block and in one thread."""

    def __init__(self, home: Home, *, wait_s: float = DEFAULT_WAIT_S) -> None:
        self._path = home.ledger
        self._wait_s = wait_s
        self._connection: sqlite3.Connection | None = None

    def __enter__(self) -> Self:
        self._path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        with self._explain_errors():
            connection = sqlite3.connect(self._path, timeout=self._wait_s, isolation_level=None)
        try:
            connection.row_factory = sqlite3.Row
            self._connection = connection
            with self._explain_errors():
                connection.execute("PRAGMA journal_mode = WAL")
                connection.execute("PRAGMA synchronous = FULL")
                connection.execute("PRAGMA foreign_keys = ON")
                self._create()
        except BaseException:
            self._close()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._close()

    # --- files --------------------------------------------------------------------------------
    def record_file(
        self,
        file_id: str,
        *,
        name: str,
        bytes: int,  # noqa: A002 - the column's name
        received_at: datetime,
        folder: str | None = None,
        inside: str | None = None,
        format: str | None = None,  # noqa: A002 - the column's name
    ) -> bool:
        """Write down that an export was archived; return whether its bytes are new.

        Known bytes keep their outcome; the name is remembered in any case.
        """
        stamp = _write_instant(received_at)
        with self._transaction() as change:
            is_new = change.execute(
                "INSERT OR IGNORE INTO files (file_id, received_at, bytes, format, status, inside) "
                "VALUES (?, ?, ?, ?, 'archived', ?)",
                (file_id, stamp, bytes, format, inside),
            ).rowcount
            change.execute(
                "INSERT OR IGNORE INTO names (file_id, name, folder, seen_at) VALUES (?, ?, ?, ?)",
                (file_id, _write_text(name), _write_text(folder or ""), stamp),
            )
        return bool(is_new)

    def set_outcome(
        self,
        file_id: str,
        status: Status,
        *,
        reason: str | None = None,
        recordings: Iterable[str] = (),
        format: str | None = None,  # noqa: A002 - the column's name
        facts: Mapping[str, str | None] | None = None,
    ) -> None:
        """Write down what became of an export, and the recordings that it holds, in their order.

        Recordings that are new await settling. `facts` are small facts by their key, which are kept
        (None: forgotten) together with the outcome.
        Raises LedgerError for a file that was never recorded, ValueError for an unknown status.
        """
        if status not in get_args(Status):
            raise ValueError(f"status {status!r} is unknown")
        recording_ids = tuple(recordings)
        with self._transaction() as change:
            changed = change.execute(
                "UPDATE files SET status = ?, reason = ?, n_recordings = ?, "
                "format = coalesce(?, format) WHERE file_id = ?",
                (status, reason, len(recording_ids), format, file_id),
            ).rowcount
            if not changed:
                raise LedgerError(f"the ledger knows no file {file_id}; take the export in again")
            change.executemany(
                "INSERT OR IGNORE INTO recordings (recording_id, file_id) VALUES (?, ?)",
                [(recording_id, file_id) for recording_id in recording_ids],
            )
            kept = ", ".join("?" * len(recording_ids))
            change.execute(
                f"DELETE FROM recordings WHERE file_id = ? AND recording_id NOT IN ({kept})",  # noqa: S608 - question marks only
                (file_id, *recording_ids),
            )
            for key, value in (facts or {}).items():
                _keep(change, key, value)

    def find_file(self, file_id: str) -> FileRecord | None:
        """Return what is known of the export with these bytes."""
        found = self._list_files("WHERE file_id = ?", (file_id,))
        return found[0] if found else None

    def find_files_named(self, name: str) -> list[FileRecord]:
        """Return every export that was ever dropped under `name`."""
        return self._list_files(
            "WHERE file_id IN (SELECT file_id FROM names WHERE name = ?)", (_write_text(name),)
        )

    def count_names(self) -> int:
        """Return how many names exports came under, each with its folder."""
        return int(self._query("SELECT count(*) FROM names")[0][0])

    def list_files(self) -> list[FileRecord]:
        """Return every export ever seen, in the order of their arrival."""
        return self._list_files("", ())

    def list_notes(self) -> list[FileRecord]:
        """Return every notes file ever seen, in the order of their arrival."""
        return self._list_files("WHERE format = ?", ("notes",))

    def reopen(self, facts: Mapping[str, tuple[str, str]]) -> None:
        """Have exports done again, each for a small fact, a key and its value, that is kept.

        Recordings keep the workouts that they were in. All of it or, when it fails, nothing.
        """
        files = [(file_id,) for file_id in facts]
        with self._transaction() as change:
            change.executemany("INSERT OR REPLACE INTO memory VALUES (?, ?)", list(facts.values()))
            change.executemany(
                "UPDATE files SET status = 'archived', reason = NULL WHERE file_id = ?", files
            )
            change.executemany("UPDATE recordings SET settled = 0 WHERE file_id = ?", files)

    def forget(self, file_ids: Collection[str], *, prefixes: Collection[str]) -> None:
        """Remove files, their names and recordings, and small facts kept under `prefixes` of them.

        The bytes of the removed rows are overwritten.
        """
        keys = [(file_id,) for file_id in file_ids]
        self._query("PRAGMA secure_delete = ON")
        with self._transaction() as change:
            for table in ("names", "recordings", "files"):
                change.executemany(f"DELETE FROM {table} WHERE file_id = ?", keys)  # noqa: S608
            for prefix in prefixes:
                facts = [(prefix + file_id,) for file_id in file_ids]
                change.executemany("DELETE FROM memory WHERE key = ?", facts)
        self._query("PRAGMA wal_checkpoint(TRUNCATE)")

    # --- recordings and workouts --------------------------------------------------------------
    def workout_of(self, recording_id: str) -> str | None:
        """Return the workout that a recording was put into, None when it never was."""
        row = self._query(
            "SELECT workout_id FROM recordings WHERE recording_id = ?", (recording_id,)
        )
        return None if not row else row[0]["workout_id"]

    def list_workouts(self) -> dict[str, str | None]:
        """Return the workout of every recording."""
        rows = self._query("SELECT recording_id, workout_id FROM recordings ORDER BY recording_id")
        return {row["recording_id"]: row["workout_id"] for row in rows}

    def assign_workout(self, recording_ids: Collection[str], workout_id: str) -> None:
        """Put recordings into a workout; they leave the one that they were in."""
        self.assign_workouts(dict.fromkeys(recording_ids, workout_id))

    def assign_workouts(self, workout_by_recording: Mapping[str, str]) -> None:
        """Put recordings into workouts, all of them or, when it fails, none.

        Raises LedgerError for a recording that no file brought.
        """
        with self._transaction() as change:
            for recording_id, workout_id in workout_by_recording.items():
                changed = change.execute(
                    "UPDATE recordings SET workout_id = ? WHERE recording_id = ?",
                    (workout_id, recording_id),
                ).rowcount
                if not changed:
                    raise LedgerError(f"the ledger knows no recording {recording_id}")

    def unsettled(self) -> tuple[str, ...]:
        """Return the recordings in the lake whose results are not in the store yet."""
        rows = self._query(
            "SELECT recording_id FROM recordings WHERE settled = 0 ORDER BY recording_id"
        )
        return tuple(row["recording_id"] for row in rows)

    def has_unfinished(self) -> bool:
        """Say whether any export was archived and never done with."""
        return bool(self._query("SELECT 1 FROM files WHERE status = 'archived' LIMIT 1"))

    def mark_settled(self, recording_ids: Collection[str], *, settled: bool = True) -> None:
        """Write down that the results of recordings are in the store, or must be made again."""
        with self._transaction() as change:
            change.executemany(
                "UPDATE recordings SET settled = ? WHERE recording_id = ?",
                [(int(settled), recording_id) for recording_id in recording_ids],
            )

    # --- small facts --------------------------------------------------------------------------
    def remember(self, key: str, value: str | None) -> None:
        """Keep a small fact under `key`; None forgets it."""
        with self._transaction() as change:
            _keep(change, key, value)

    def recall(self, key: str) -> str | None:
        """Return the small fact under `key`, None when there is none."""
        rows = self._query("SELECT value FROM memory WHERE key = ?", (key,))
        return rows[0]["value"] if rows else None

    def recall_all(self, prefix: str) -> dict[str, str]:
        """Return the small facts whose key begins with `prefix`, by the rest of the key."""
        rows = self._query(
            "SELECT substr(key, length(?1) + 1) AS rest, value FROM memory "
            "WHERE substr(key, 1, length(?1)) = ?1 ORDER BY key",
            (prefix,),
        )
        return {row["rest"]: row["value"] for row in rows}

    # --- inside -------------------------------------------------------------------------------
    def _create(self) -> None:
        connection = self._open_connection()
        if self._read_version() == _SCHEMA_VERSION:
            return
        with self._transaction():
            # Another process may have created it while this one waited for the lock.
            found = self._read_version()
            if found == _SCHEMA_VERSION:
                return
            if found != 0:
                raise LedgerError(
                    f"{self._path.name}: made by another version of coworn (schema {found}, this "
                    f"one knows {_SCHEMA_VERSION}); install that version again"
                )
            for statement in _SCHEMA.split(";"):
                connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {_SCHEMA_VERSION}")
            self._path.chmod(0o600)

    def _read_version(self) -> int:
        return int(self._query("PRAGMA user_version")[0][0])

    def _open_connection(self) -> sqlite3.Connection:
        if self._connection is None:
            raise LedgerError("the ledger is closed; use it inside a with block")
        return self._connection

    def _close(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        """Change things in one transaction, which takes the write lock at its start."""
        connection = self._open_connection()
        with self._explain_errors():
            connection.execute("BEGIN IMMEDIATE")
            try:
                yield connection
                connection.execute("COMMIT")
            except BaseException:
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
                raise

    @contextlib.contextmanager
    def _explain_errors(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.OperationalError as error:
            if "locked" in str(error) or "busy" in str(error):
                raise StoreBusyError(
                    f"{self._path.name} is held by another run for more than {self._wait_s:g} s; "
                    "wait for it and try again"
                ) from error
            if remedy := _find_remedy(str(error)):
                raise LedgerError(f"{self._path}: {error}; {remedy}") from error
            raise
        except sqlite3.DatabaseError as error:
            if type(error) is not sqlite3.DatabaseError:
                raise  # a fault of ours; the plain class means that the file is damaged
            raise LedgerError(
                f"{self._path.name}: {error}; run coworn repair, which makes it again "
                "from its backup, the store and originals/"
            ) from error

    def _query(self, statement: str, values: tuple[str, ...] = ()) -> list[sqlite3.Row]:
        with self._explain_errors():
            return self._open_connection().execute(statement, values).fetchall()

    def _list_files(self, condition: str, values: tuple[str, ...]) -> list[FileRecord]:
        chosen = f"SELECT file_id FROM files {condition}"  # noqa: S608 - conditions of this class
        connection = self._open_connection()
        # Three statements, but one moment for all of them.
        connection.execute("BEGIN")
        try:
            order = "ORDER BY received_at, rowid"
            files = self._query(f"SELECT * FROM files {condition} {order}", values)  # noqa: S608
            names, recordings = (
                self._query(
                    f"SELECT * FROM {table} WHERE file_id IN ({chosen}) ORDER BY rowid",  # noqa: S608
                    values,
                )
                for table in ("names", "recordings")
            )
        finally:
            connection.execute("COMMIT")
        names_of, recordings_of = group_rows(names), group_rows(recordings)
        return [
            make_record(row, names_of[row["file_id"]], recordings_of.get(row["file_id"], []))
            for row in files
        ]


def _keep(change: sqlite3.Connection, key: str, value: str | None) -> None:
    if value is None:
        change.execute("DELETE FROM memory WHERE key = ?", (key,))
    else:
        change.execute("INSERT OR REPLACE INTO memory VALUES (?, ?)", (key, value))


def _find_remedy(message: str) -> str | None:
    """Return what to do about a trouble of the disk, None for a fault of ours."""
    if "full" in message:
        return "make room on the disk and run it again"
    if any(words in message for words in ("readonly", "unable to open", "disk I/O")):
        return "check the disk and your right to write there, or choose another --home"
    return None


def _write_instant(instant: datetime) -> str:
    """Write an instant so that texts sort as instants do. Raises ValueError for a naive one."""
    if instant.tzinfo is None:
        raise ValueError("a time without a zone is no instant")
    return instant.astimezone(UTC).isoformat(timespec="microseconds")


def _write_text(name: str) -> str:
    """Return a name that SQLite can keep: bytes of it that are no text are spelled out."""
    return name.encode("utf-8", "backslashreplace").decode()
