"""The store's tables: as declared, commented, and upgraded when they are older."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, get_args

import duckdb
import pytest

from config.devices import Role
from config.home import Home
from tasks.core import registers
from tasks.core.errors import CowornError, UsageError
from tasks.store import StoreSchemaError, ddl, open_store, publish, read_store, replace_rows
from tasks.store.connect import prepare_store
from tasks.store.create import create_store
from tasks.tables import answer_columns, columns
from tasks.tables.column import Column
from tasks.tables.tables import STORE_TABLES, WORKOUTS, Table
from tasks.verdicts.words import ALIKE, BETTER, TOO_FEW, UNCLEAR, WORSE
from tests.unit.store.rows import make_workouts

if TYPE_CHECKING:
    from pathlib import Path

    from config.settings import Settings


def test_known_words_are_all_that_their_columns_take(home: Home) -> None:
    with open_store(home) as connection:
        connection.execute("INSERT INTO devices (device_id, role) VALUES ('a', 'peer')")
        connection.execute("INSERT INTO devices (device_id, role) VALUES ('b', NULL)")
    for statement in (
        "INSERT INTO devices (device_id, role) VALUES ('c', 'candidate')",
        "INSERT INTO findings (kind) VALUES ('Spike')",
        "INSERT INTO verdicts (verdict) VALUES ('best')",
        "INSERT INTO results (reference_kind) VALUES ('watch')",
    ):
        with (
            pytest.raises(duckdb.ConstraintException, match="CHECK"),
            open_store(home) as connection,
        ):
            connection.execute(statement)


def test_declared_words_are_those_of_the_program() -> None:
    kinds = {*registers.FINDING_KINDS, *registers.FORMER_FINDING_KINDS}
    assert set(ddl.find_words(columns.COLUMNS["kind"])) == kinds
    assert set(columns.ROLES) == set(get_args(Role))
    assert {BETTER, WORSE, ALIKE, UNCLEAR, TOO_FEW} <= set(answer_columns.VERDICTS)


def test_a_store_from_before_the_words_keeps_its_rows_in_order(home: Home) -> None:
    """As an older version made it: no check, no kind of reference, rows in the order of writing."""
    create_store(home.store)
    older = {
        "findings": "run_id VARCHAR, workout_id VARCHAR, kind VARCHAR",
        "devices": "device_id VARCHAR, role VARCHAR, PRIMARY KEY (device_id)",
    }
    with duckdb.connect(str(home.store)) as connection:
        for table, parts in older.items():
            connection.execute(f"DROP TABLE {table}")
            connection.execute(f"CREATE TABLE {table} ({parts})")
        connection.execute("INSERT INTO devices VALUES ('z', 'test'), ('a', 'reference')")
        connection.execute("INSERT INTO findings VALUES ('2', 'w', 'spike'), ('1', 'w', 'frozen')")
        connection.execute("UPDATE store_facts SET value = 'older' WHERE fact = 'schema'")
    with open_store(home) as connection:
        found = connection.execute("SELECT run_id, kind FROM findings").fetchall()
        assert found == [("2", "spike"), ("1", "frozen")]
        assert connection.execute("SELECT count(*) FROM devices").fetchall() == [(2,)]
        with pytest.raises(duckdb.ConstraintException, match="CHECK"):
            connection.execute("INSERT INTO findings (kind) VALUES ('odd')")


def test_a_word_that_is_no_longer_known_is_named(home: Home) -> None:
    create_store(home.store)
    with duckdb.connect(str(home.store)) as connection:
        connection.execute("DROP TABLE findings")
        connection.execute("CREATE TABLE findings (run_id VARCHAR, kind VARCHAR)")
        connection.execute("INSERT INTO findings VALUES ('1', 'odd')")
        connection.execute("UPDATE store_facts SET value = 'older' WHERE fact = 'schema'")
    with (
        pytest.raises(StoreSchemaError, match=r"findings\.kind is 'odd'.*coworn rebuild"),
        open_store(home),
    ):
        pass


@pytest.mark.parametrize("table", STORE_TABLES, ids=lambda table: table.name)
def test_every_table_and_column_has_its_comment_and_type(home: Home, table: Table) -> None:
    with read_store(home) as connection:
        comment = connection.execute(
            "SELECT comment FROM duckdb_tables() WHERE table_name = ?", [table.name]
        ).fetchall()[0][0]
        columns = connection.execute(
            "SELECT column_name, data_type, comment FROM duckdb_columns() WHERE table_name = ? "
            "AND NOT internal ORDER BY column_index",
            [table.name],
        ).fetchall()
    assert comment.startswith(table.grain)
    assert columns == [
        (column.name, ddl.SQL_TYPES[column.kind], column.comment) for column in table.columns
    ]
    assert all(column.comment for column in table.columns)


def test_instants_are_stored_with_their_zone(home: Home) -> None:
    with read_store(home) as connection:
        kinds = connection.execute(
            "SELECT DISTINCT data_type FROM duckdb_columns() "
            "WHERE column_name LIKE '%\\_utc' ESCAPE '\\' OR column_name LIKE '%\\_at' ESCAPE '\\'"
        ).fetchall()
    assert kinds == [("TIMESTAMP WITH TIME ZONE",)]


def test_a_primary_key_forbids_a_second_row(home: Home) -> None:
    with open_store(home) as connection:
        replace_rows(connection, "workouts", make_workouts("w1"))
        with pytest.raises(duckdb.ConstraintException):
            connection.execute("INSERT INTO workouts (workout_id) VALUES ('w1')")


def test_the_store_can_be_opened_by_its_owner_only(home: Home) -> None:
    prepare_store(home)
    assert home.store.stat().st_mode & 0o777 == 0o600


def test_a_path_that_duckdb_cannot_use_is_refused_with_the_remedy(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"'\?' in its path; choose another --home"):
        prepare_store(Home(tmp_path / "which home?"))


def test_nothing_is_left_beside_a_new_store(home: Home) -> None:
    prepare_store(home)
    assert [path.name for path in home.state.iterdir() if path.is_file()] == ["store.duckdb"]


def make_older(home: Home, *statements: str) -> None:
    """Make the store look as another version left it."""
    prepare_store(home)
    with duckdb.connect(str(home.store)) as connection:
        for statement in statements:
            connection.execute(statement)


def test_a_column_that_an_older_store_lacks_is_added_and_rows_stay(
    home: Home, settings: Settings
) -> None:
    with open_store(home) as connection:
        replace_rows(connection, "workouts", make_workouts("w1"))
    make_older(
        home,
        "ALTER TABLE workouts DROP COLUMN course",
        "DROP TABLE measurements",
        "UPDATE store_facts SET value = 'older' WHERE fact = 'schema'",
    )
    with read_store(home) as connection:
        assert connection.execute("SELECT workout_id, course FROM workouts").fetchall() == [
            ("w1", None)
        ]
        assert connection.execute("SELECT count(*) FROM measurements").fetchall() == [(0,)]
    with open_store(home) as connection:
        assert replace_rows(connection, "workouts", make_workouts("w1", course="loop")) == 1
    assert publish(home, settings).is_new


def test_publishing_brings_an_older_store_up_to_date_first(home: Home, settings: Settings) -> None:
    make_older(
        home,
        "ALTER TABLE workouts DROP COLUMN course",
        "UPDATE store_facts SET value = 'older' WHERE fact = 'schema'",
    )
    assert publish(home, settings).is_new


@pytest.mark.parametrize(
    ("statements", "said"),
    [
        (["UPDATE store_facts SET value = '99' WHERE fact = 'schema_version'"], "newer coworn"),
        (
            ["DROP TABLE runs", "CREATE TABLE runs (run_id BIGINT)"],
            r"runs\.run_id is BIGINT, this version needs VARCHAR",
        ),
        (
            ["DROP TABLE setups", "CREATE TABLE setups (workout_id VARCHAR PRIMARY KEY)"],
            r"table setups has the key \(workout_id\)",
        ),
    ],
)
def test_what_cannot_be_upgraded_is_a_clear_error_and_stays_as_it_is(
    home: Home, statements: list[str], said: str
) -> None:
    make_older(home, *statements, "UPDATE store_facts SET value = '?' WHERE fact = 'schema'")
    before = home.store.read_bytes()
    with pytest.raises(StoreSchemaError, match=said) as caught, open_store(home):
        pass
    assert isinstance(caught.value, CowornError)
    assert "\n" not in str(caught.value)
    assert home.store.read_bytes() == before


def test_another_database_in_the_stores_place_is_refused(home: Home) -> None:
    duckdb.connect(str(home.store)).close()
    with pytest.raises(StoreSchemaError, match="not a store of coworn"), read_store(home):
        pass


def test_the_hash_of_the_declarations_sees_a_new_column(monkeypatch: pytest.MonkeyPatch) -> None:
    before = ddl.hash_declarations()
    wider = replace(WORKOUTS, columns=(*WORKOUTS.columns, Column("mood", "text", "How it felt")))
    monkeypatch.setattr(ddl, "STORE_TABLES", (wider,))
    assert ddl.hash_declarations() != before


@pytest.mark.parametrize("text", ["plain", "it's", '"', "'; DROP TABLE x; --", "[m]"])
def test_quoted_text_and_names_mean_themselves(text: str) -> None:
    with duckdb.connect() as connection:
        found = connection.execute(
            f"SELECT {ddl.quote_text(text)} AS {ddl.quote_name(text)}"
        ).fetchall()
        names = [column[0] for column in connection.description]
    assert found == [(text,)]
    assert names == [text]
