"""Backups: dated, opened and counted, kept by the rule, and they can be put back."""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import duckdb
import pytest

from tasks.archive.ledger import Ledger
from tasks.core.errors import StoreBusyError
from tasks.store import (
    BackupError,
    backup,
    list_backups,
    open_store,
    read_store,
    replace_rows,
    restore_backup,
)
from tasks.store import backup as backup_function
from tasks.store.ddl import StoreSchemaError
from tests.unit.store.rows import NOON, make_workouts, measure

if TYPE_CHECKING:
    from pathlib import Path

    from config.home import Home
    from config.settings import Settings


def read_all(home: Home) -> list[tuple[object, ...]]:
    with read_store(home) as connection:
        return connection.execute("SELECT * FROM results ORDER BY ALL").fetchall()


def test_a_backup_is_dated_and_counts_what_it_holds(home: Home, settings: Settings) -> None:
    measure(home)
    made = backup(home, settings, now=NOON)
    assert made.store == home.backups / "store-20260502T120000Z.duckdb"
    assert (made.rows["results"], made.rows["findings"], made.rows["verdicts"]) == (2, 1, 0)
    assert made.ledger is None
    assert list(home.backups.iterdir()) == [made.store]
    assert made.store.stat().st_mode & 0o777 == 0o600


def test_the_ledger_is_copied_too_and_opens(home: Home, settings: Settings) -> None:
    with Ledger(home) as ledger:
        ledger.record_file("a" * 64, name="run.fit", bytes=1, received_at=NOON)
        # The ledger's newest entries are still in its log while it is open.
        made = backup(home, settings, now=NOON)
    assert made.ledger == home.backups / "ledger-20260502T120000Z.sqlite"
    home.ledger.unlink()
    made.ledger.rename(home.ledger)
    with Ledger(home) as ledger:
        assert [file.name for file in ledger.list_files()] == ["run.fit"]


def test_the_stated_number_of_backups_is_kept(home: Home, settings: Settings) -> None:
    three = settings.model_copy(
        update={"store": settings.store.model_copy(update={"keep_backups": 3})}
    )
    with Ledger(home):
        made = [backup(home, three, now=NOON + timedelta(days=day)) for day in range(5)]
    assert list_backups(home) == [each.store for each in made[2:]]
    assert len(list(home.backups.glob("ledger-*"))) == 3


def test_a_clock_that_was_set_back_does_not_lose_the_newest_backup(
    home: Home, settings: Settings
) -> None:
    one = settings.model_copy(
        update={"store": settings.store.model_copy(update={"keep_backups": 1})}
    )
    backup(home, one, now=NOON)
    made = backup(home, one, now=datetime(2020, 1, 1, tzinfo=UTC))
    assert made.store.exists()


def test_two_backups_of_one_second_are_two(home: Home, settings: Settings) -> None:
    first = backup(home, settings, now=NOON)
    second = backup(home, settings, now=NOON)
    assert first.store != second.store
    assert len(list_backups(home)) == 2


def test_a_backup_put_back_is_the_store_of_that_day(home: Home, settings: Settings) -> None:
    measure(home, run_id="r1")
    wanted = read_all(home)
    made = backup(home, settings, now=NOON)
    measure(home, run_id="r2", value=9.0)
    later = read_all(home)
    moved = restore_backup(made.store, home=home)
    assert read_all(home) == wanted
    assert made.store.exists()
    assert moved is not None
    restore_backup(moved, home=home)
    assert read_all(home) == later
    assert measure(home, run_id="r3", value=10.0), "it can be written to"


def test_a_backup_can_be_put_where_no_store_is(home: Home, settings: Settings) -> None:
    measure(home)
    made = backup(home, settings, now=NOON)
    wanted = read_all(home)
    home.store.unlink()
    assert restore_backup(made.store, home=home) is None
    assert read_all(home) == wanted


@pytest.mark.parametrize("content", [b"", b"no database" * 1000])
def test_what_is_no_backup_is_refused_and_the_store_stays(home: Home, content: bytes) -> None:
    measure(home)
    before = read_all(home)
    path = home.backups / "store-bad.duckdb"
    path.write_bytes(content)
    with pytest.raises(BackupError, match=r"store-bad\.duckdb: cannot be opened"):
        restore_backup(path, home=home)
    assert read_all(home) == before
    assert [path.name for path in home.state.iterdir() if path.is_file()] == ["store.duckdb"]


def test_another_database_is_refused_as_a_backup(home: Home, tmp_path: Path) -> None:
    path = tmp_path / "other.duckdb"
    duckdb.connect(str(path)).close()
    with pytest.raises(Exception, match="not a store of coworn"):
        restore_backup(path, home=home)


def change(backup_path: Path, *statements: str) -> bytes:
    """Make a backup look as another version left it; return its bytes."""
    with duckdb.connect(str(backup_path)) as connection:
        for statement in statements:
            connection.execute(statement)
    return backup_path.read_bytes()


def test_a_backup_of_an_older_version_is_brought_up_to_date(home: Home, settings: Settings) -> None:
    """As the store itself would have been: a new version must not make all backups useless."""
    measure(home)
    wanted = read_all(home)
    made = backup(home, settings, now=NOON)
    before = change(
        made.store,
        "ALTER TABLE workouts DROP COLUMN course",
        "DROP TABLE measurements",
        "UPDATE store_facts SET value = 'older' WHERE fact = 'schema'",
    )
    measure(home, run_id="r2", value=9.0)
    restore_backup(made.store, home=home)
    assert read_all(home) == wanted
    with read_store(home) as connection:
        assert connection.execute("SELECT DISTINCT course FROM workouts").fetchall() == [(None,)]
    assert made.store.read_bytes() == before
    assert [path.name for path in home.backups.glob("*.wal")] == []


def test_a_backup_of_a_newer_version_is_refused_and_the_store_stays(
    home: Home, settings: Settings
) -> None:
    measure(home)
    made = backup(home, settings, now=NOON)
    change(
        made.store,
        "UPDATE store_facts SET value = '99' WHERE fact = 'schema_version'",
        "UPDATE store_facts SET value = 'newer' WHERE fact = 'schema'",
    )
    before = home.store.read_bytes()
    with pytest.raises(StoreSchemaError, match="made by a newer coworn"):
        restore_backup(made.store, home=home)
    assert home.store.read_bytes() == before
    assert list(home.state.glob(".restored*")) == []


@pytest.mark.parametrize("share", [0.2, 0.5, 0.8])
def test_a_backup_with_a_flipped_byte_is_refused_or_says_the_same(
    home: Home, settings: Settings, share: float
) -> None:
    measure(home)
    wanted = read_all(home)
    made = backup(home, settings, now=NOON)
    damaged = bytearray(made.store.read_bytes())
    damaged[int(share * len(damaged))] ^= 0x55
    made.store.write_bytes(damaged)
    before = home.store.read_bytes()
    try:
        restore_backup(made.store, home=home)
    except BackupError:
        assert home.store.read_bytes() == before
    assert read_all(home) == wanted


HOLDER = """
import sys, duckdb
connection = duckdb.connect(sys.argv[1])
print("open", flush=True)
sys.stdin.read()
"""


def test_a_store_in_use_is_not_replaced(home: Home, settings: Settings) -> None:
    measure(home)
    made = backup(home, settings, now=NOON)
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(home.store)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as holder:
        assert holder.stdout is not None
        holder.stdout.readline()
        with pytest.raises(StoreBusyError, match="stop coworn"):
            restore_backup(made.store, home=home)
        with pytest.raises(StoreBusyError, match="is held by"):
            backup(home, settings, now=NOON, wait_s=0.1)
        holder.communicate("")
    assert list_backups(home) == [made.store]


def test_a_copy_that_differs_from_the_store_is_not_kept(
    home: Home, settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    measure(home)
    module = sys.modules[backup_function.__module__]
    really_copy = module.copy_tables

    def copy_and_lose_a_row(connection: duckdb.DuckDBPyConnection, target: Path) -> None:
        really_copy(connection, target)
        connection.execute("DELETE FROM results WHERE metric = 'hr_ccc'")

    monkeypatch.setattr(module, "copy_tables", copy_and_lose_a_row)
    with pytest.raises(BackupError, match="differs from the store in results"):
        backup(home, settings, now=NOON)
    assert list(home.backups.iterdir()) == []


def test_half_backups_of_a_killed_run_are_swept(home: Home, settings: Settings) -> None:
    (home.backups / ".x.building").write_bytes(b"half")
    made = backup(home, settings, now=NOON)
    assert list(home.backups.iterdir()) == [made.store]


@pytest.mark.parametrize("ending", ["", ".wal", "-journal", "-wal", "-shm"])
def test_logs_and_journals_of_half_backups_are_swept_too(
    home: Home, settings: Settings, ending: str
) -> None:
    left = home.backups / f".0123456789abcdef.building{ending}"
    left.write_bytes(b"half")
    backup(home, settings, now=NOON)
    assert not left.exists()


def test_a_backup_holds_what_was_committed_a_moment_before(home: Home, settings: Settings) -> None:
    with open_store(home) as connection:
        replace_rows(connection, "workouts", make_workouts("w1", "w2"))
    assert backup(home, settings, now=NOON).rows["workouts"] == 2
