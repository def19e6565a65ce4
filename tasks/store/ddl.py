"""The store's tables as DuckDB knows them, made from their declarations, and how they grow older.

The store remembers which declarations made it. When they have changed since, columns and tables
that are missing are added; anything else is refused with a clear error, never guessed.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import os
import re
from typing import TYPE_CHECKING, Final

import duckdb

from tasks.core import discovery
from tasks.core.errors import CowornError
from tasks.core.file_locks import PLAIN
from tasks.core.registers import FINDING_KINDS, FORMER_FINDING_KINDS
from tasks.tables.tables import STORE_TABLES

if TYPE_CHECKING:
    from pathlib import Path

    from tasks.tables.column import Column
    from tasks.tables.tables import Table

#: Goes up when a column changes its type or meaning, so that an older program keeps away.
SCHEMA_VERSION: Final = 1
#: The oldest storage that all our DuckDB readers share; the command line on the package registry
#: cannot open what DuckDB 2 writes by default.
STORAGE_VERSION: Final = "v1.2.0"
#: What the store remembers of itself; never published.
FACTS_TABLE: Final = "store_facts"
BUILDING: Final = ".building"

#: A word in the text of a check; no word holds a quote.
_WORD: Final = re.compile(r"'([^']*)'")
#: DuckDB's type of each kind of column.
SQL_TYPES: Final = {
    "float": "DOUBLE",
    "integer": "BIGINT",
    "text": "VARCHAR",
    "boolean": "BOOLEAN",
    "instant": "TIMESTAMP WITH TIME ZONE",
}


class StoreSchemaError(CowornError):
    """The store was made by declarations that this program cannot work with."""


def quote_name(name: str) -> str:
    """Return `name` as an SQL identifier."""
    return '"' + name.replace('"', '""') + '"'


def quote_text(text: str) -> str:
    """Return `text` as an SQL string."""
    return "'" + text.replace("'", "''") + "'"


def list_names(names: tuple[str, ...]) -> str:
    """Return `names` as SQL identifiers with commas between them."""
    return ", ".join(quote_name(name) for name in names)


def build_create(table: Table) -> str:
    """Return the statement that creates `table`.

    Tables whose rows are replaced have their key as primary key. Append-only tables have none:
    nothing is ever looked up in them by key, and `results` has a key with missing parts. A column
    of known words takes no others.
    """
    return f"CREATE TABLE IF NOT EXISTS {quote_name(table.name)} ({_list_parts(table)})"


def _list_parts(table: Table) -> str:
    parts = [
        f"{quote_name(column.name)} {SQL_TYPES[column.kind]}{_build_check(column)}"
        for column in table.columns
    ]
    if has_primary_key(table):
        parts.append(f"PRIMARY KEY ({list_names(table.key)})")
    return ", ".join(parts)


def _build_check(column: Column) -> str:
    if not find_words(column):
        return ""
    return f" CHECK ({quote_name(column.name)} IN ({_list_words(column)}))"


def find_words(column: Column) -> tuple[str, ...]:
    """Return all that the text of a column may be; none where anything is."""
    if not column.is_finding_kind:
        return column.words
    discovery.load_metrics()
    return tuple(sorted({*FINDING_KINDS, *FORMER_FINDING_KINDS}))


def _list_words(column: Column) -> str:
    return ", ".join(quote_text(word) for word in find_words(column))


def build_comments(table: Table) -> tuple[str, ...]:
    """Return the statements that put the grain, and each column's meaning and unit, on `table`."""
    key = f"; key: {', '.join(table.key)}" if table.key else ""
    name = quote_name(table.name)
    return (
        f"COMMENT ON TABLE {name} IS {quote_text(table.grain + key)}",
        *(
            f"COMMENT ON COLUMN {name}.{quote_name(column.name)} IS {quote_text(column.comment)}"
            for column in table.columns
        ),
    )


def has_primary_key(table: Table) -> bool:
    """Say whether `table` has a primary key in the store."""
    return bool(table.key) and table.growth == "replace"


def create_tables(connection: duckdb.DuckDBPyConnection) -> None:
    """Create the tables that are missing, with their comments, in the current database."""
    for statement in _list_statements(STORE_TABLES):
        connection.execute(statement)


def create_facts(connection: duckdb.DuckDBPyConnection) -> None:
    """Create what the store remembers of itself, as of today's declarations."""
    connection.execute(
        f"CREATE TABLE IF NOT EXISTS {FACTS_TABLE} (fact VARCHAR PRIMARY KEY, value VARCHAR)"
    )
    _remember_schema(connection)


def upgrade_store(connection: duckdb.DuckDBPyConnection, name: str) -> None:
    """Bring the tables of an older store up to their declarations.

    `name` is the file's name, for the error. Raises StoreSchemaError when the store is newer than
    this program, or when a column's type or a table's key has changed.
    """
    if is_up_to_date(connection, name):
        return
    facts = _recall_schema(connection, name)
    found = int(facts.get("schema_version", "0"))
    if found > SCHEMA_VERSION:
        raise StoreSchemaError(
            f"{name}: made by a newer coworn (schema {found}, this one knows {SCHEMA_VERSION}); "
            "install that version again, or move the file away and run coworn rebuild"
        )
    connection.execute("BEGIN")
    try:
        for table in STORE_TABLES:
            _upgrade_table(connection, table, name)
        create_tables(connection)
        _remember_schema(connection)
        connection.execute("COMMIT")
    except BaseException:
        with contextlib.suppress(duckdb.Error):
            connection.execute("ROLLBACK")
        raise


def is_up_to_date(connection: duckdb.DuckDBPyConnection, name: str) -> bool:
    """Say whether the store was made, or brought up to date, by today's declarations."""
    return _recall_schema(connection, name).get("schema") == hash_declarations()


def hash_declarations() -> str:
    """Return a hash that changes when a table, a column or a comment is declared otherwise."""
    return _hash_statements(STORE_TABLES)


@functools.lru_cache(maxsize=4)
def _hash_statements(tables: tuple[Table, ...]) -> str:
    return hashlib.sha256("\n".join(_list_statements(tables)).encode()).hexdigest()


def _list_statements(tables: tuple[Table, ...]) -> tuple[str, ...]:
    """Return the statements that create tables with their comments."""
    return tuple(line for table in tables for line in (build_create(table), *build_comments(table)))


def sync_file(path: Path) -> None:
    """Wait until the bytes of `path` are on the disk."""
    # Open for writing, without which Windows does not do it.
    descriptor = os.open(path, os.O_RDWR | PLAIN)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _upgrade_table(connection: duckdb.DuckDBPyConnection, table: Table, name: str) -> None:
    there = dict(
        connection.execute(
            "SELECT column_name, data_type FROM duckdb_columns() "
            "WHERE table_name = ? AND database_name = current_database()",
            [table.name],
        ).fetchall()
    )
    if not there:
        return
    _check_key(connection, table, name)
    for column in table.columns:
        if column.name not in there:
            connection.execute(
                f"ALTER TABLE {quote_name(table.name)} "
                f"ADD COLUMN {quote_name(column.name)} {SQL_TYPES[column.kind]}"
            )
        elif there[column.name] != SQL_TYPES[column.kind]:
            raise _refuse_column(table, column, there[column.name], name)
    _check_words(connection, table, name)


def _check_words(connection: duckdb.DuckDBPyConnection, table: Table, name: str) -> None:
    """Make the table anew where its columns take other words than declared: DuckDB alters none.

    Raises StoreSchemaError for a word in it that is not known any more.
    """
    declared = {
        column.name: set(words) for column in table.columns if (words := find_words(column))
    }
    if _find_words(connection, table) == declared:
        return
    for column in table.columns:
        if column.name in declared:
            strange = connection.execute(
                f"SELECT {quote_name(column.name)} FROM {quote_name(table.name)} "  # noqa: S608
                f"WHERE {quote_name(column.name)} NOT IN ({_list_words(column)}) LIMIT 1"
            ).fetchall()
            if strange:
                raise StoreSchemaError(
                    f"{name}: {table.name}.{column.name} is {strange[0][0]!r}, which this version "
                    "does not know; move the file away and run coworn rebuild"
                )
    old, made, columns = quote_name(table.name), f"{table.name}{BUILDING}", table.column_names
    connection.execute(f"CREATE TABLE {quote_name(made)} ({_list_parts(table)})")
    # The order of rows is kept: in append-only tables it is the order of writing.
    connection.execute(
        f"INSERT INTO {quote_name(made)} SELECT {list_names(columns)} FROM {old} ORDER BY rowid"  # noqa: S608
    )
    connection.execute(f"DROP TABLE {old}")
    connection.execute(f"ALTER TABLE {quote_name(made)} RENAME TO {old}")


def _find_words(connection: duckdb.DuckDBPyConnection, table: Table) -> dict[str, set[str]]:
    rows = connection.execute(
        "SELECT constraint_column_names[1], constraint_text FROM duckdb_constraints() "
        "WHERE table_name = ? AND constraint_type = 'CHECK' "
        "AND database_name = current_database()",
        [table.name],
    ).fetchall()
    return {column: set(_WORD.findall(text)) for column, text in rows}


def _refuse_column(table: Table, column: Column, found: str, name: str) -> StoreSchemaError:
    return StoreSchemaError(
        f"{name}: column {table.name}.{column.name} is {found}, this version needs "
        f"{SQL_TYPES[column.kind]}; move the file away and run coworn rebuild"
    )


def _check_key(connection: duckdb.DuckDBPyConnection, table: Table, name: str) -> None:
    rows = connection.execute(
        "SELECT constraint_column_names FROM duckdb_constraints() "
        "WHERE table_name = ? AND constraint_type = 'PRIMARY KEY' "
        "AND database_name = current_database()",
        [table.name],
    ).fetchall()
    found = tuple(rows[0][0]) if rows else ()
    wanted = table.key if has_primary_key(table) else ()
    if found != wanted:
        raise StoreSchemaError(
            f"{name}: table {table.name} has the key ({', '.join(found)}), this version needs "
            f"({', '.join(wanted)}); move the file away and run coworn rebuild"
        )


def _recall_schema(connection: duckdb.DuckDBPyConnection, name: str) -> dict[str, str]:
    try:
        rows = connection.execute(f"SELECT fact, value FROM {FACTS_TABLE}").fetchall()  # noqa: S608
    except duckdb.CatalogException as error:
        raise StoreSchemaError(
            f"{name}: this is not a store of coworn; move the file away and run coworn rebuild"
        ) from error
    return dict(rows)


def _remember_schema(connection: duckdb.DuckDBPyConnection) -> None:
    facts = {"schema": hash_declarations(), "schema_version": str(SCHEMA_VERSION)}
    for fact, value in facts.items():
        remember_fact(connection, fact, value)


def recall_fact(connection: duckdb.DuckDBPyConnection, fact: str) -> str | None:
    """Return what the store remembers under that name, None when it is nothing."""
    rows = connection.execute(
        f"SELECT value FROM {FACTS_TABLE} WHERE fact = ?",  # noqa: S608 - our own name
        [fact],
    ).fetchall()
    return str(rows[0][0]) if rows else None


def remember_fact(connection: duckdb.DuckDBPyConnection, fact: str, value: str) -> None:
    """Let the store remember something of itself, in the transaction that is under way."""
    connection.execute(
        f"INSERT OR REPLACE INTO {FACTS_TABLE} VALUES (?, ?)",  # noqa: S608 - our own name
        [fact, value],
    )
