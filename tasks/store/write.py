"""Writing into the store, inside the transaction of `open_store`.

Every function checks that the rows have exactly the declared columns, touches only what differs
and says how much that was; what is written again unchanged changes nothing.
"""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from tasks.store.ddl import has_primary_key, list_names, quote_name
from tasks.tables.arrow import build_schema, make_rows
from tasks.tables.tables import FINDINGS, MEASUREMENTS, RESULTS, TABLES, Table

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

    import duckdb
    import pyarrow as pa

_INCOMING = "incoming_rows"
#: Columns that say when and in which run a row was made, not what it says.
_PROVENANCE = frozenset({"run_id", "computed_at"})


def replace_rows(
    connection: duckdb.DuckDBPyConnection,
    table: Table | str,
    rows: pa.Table,
    *,
    where: Mapping[str, Collection[str]] | None = None,
) -> int:
    """Write `rows` over those with the same key; return how many rows were changed or removed.

    With `where`, a mapping of a column to the values it may have, `rows` are all rows of that
    part: others in it are removed. An empty mapping means the whole table.
    Raises ValueError for rows of another schema, doubled keys, or an append-only table.
    """
    declared = find_table(table)
    if not has_primary_key(declared):
        raise ValueError(f"rows of {declared.name} are appended, never replaced")
    check_rows(declared, rows)
    _check_keys(declared, rows)
    name, columns = quote_name(declared.name), list_names(declared.column_names)
    with _offer(connection, rows):
        removed = 0
        if where is not None:
            same = " AND ".join(f"new.{key} = old.{key}" for key in map(quote_name, declared.key))
            condition, values = _build_condition(declared, where)
            removed = _count(
                connection,
                f"DELETE FROM {name} AS old WHERE {condition} AND NOT EXISTS "  # noqa: S608
                f"(SELECT 1 FROM {_INCOMING} AS new WHERE {same})",
                values,
            )
        written = _count(
            connection,
            f"INSERT OR REPLACE INTO {name} ({columns}) SELECT {columns} FROM "  # noqa: S608
            f"(SELECT {columns} FROM {_INCOMING} EXCEPT SELECT {columns} FROM {name})",
        )
    return removed + written


def delete_rows(
    connection: duckdb.DuckDBPyConnection,
    table: Table | str,
    *,
    where: Mapping[str, Collection[str]],
) -> int:
    """Remove the rows of the part that `where` names; return how many there were.

    Raises ValueError for an append-only table.
    """
    declared = find_table(table)
    if declared.growth == "append":
        raise ValueError(f"rows of {declared.name} are never taken away")
    condition, values = _build_condition(declared, where)
    return _count(
        connection,
        f"DELETE FROM {quote_name(declared.name)} WHERE {condition}",  # noqa: S608
        values,
    )


def delete_unused_devices(connection: duckdb.DuckDBPyConnection) -> int:
    """Remove devices without a recording, e.g. under a former id; return how many there were."""
    return _count(
        connection,
        "DELETE FROM devices WHERE device_id NOT IN "
        "(SELECT device_id FROM recordings WHERE device_id IS NOT NULL)",
    )


def append_rows(connection: duckdb.DuckDBPyConnection, table: Table | str, rows: pa.Table) -> int:
    """Add `rows` to an append-only table; return how many there were.

    Raises ValueError for rows of another schema, or a table whose rows are replaced.
    """
    declared = find_table(table)
    if declared.growth != "append":
        raise ValueError(f"rows of {declared.name} are replaced, never appended")
    check_rows(declared, rows)
    columns = list_names(declared.column_names)
    with _offer(connection, rows):
        return _count(
            connection,
            f"INSERT INTO {quote_name(declared.name)} ({columns}) "  # noqa: S608
            f"SELECT {columns} FROM {_INCOMING}",
        )


def append_if_changed(
    connection: duckdb.DuckDBPyConnection,
    *,
    workout_id: str,
    run_id: str,
    results: pa.Table,
    findings: pa.Table,
) -> bool:
    """Append what a run measured of one workout unless its newest measurement says the same.

    The same: equal rows, in any order, apart from `run_id` and `computed_at`; numbers to the last
    bit, missing equal to missing. Returns whether anything was appended. A measurement without any
    row counts too: it makes the older ones outdated.

    Raises ValueError for rows of another schema, workout or run, and when this very run has
    already measured the workout with another outcome.
    """
    for table, rows in ((RESULTS, results), (FINDINGS, findings)):
        check_rows(table, rows)
        _check_constant(table, rows, "workout_id", workout_id)
        _check_constant(table, rows, "run_id", run_id)
    newest = connection.execute(
        "SELECT run_id, generation FROM measurements WHERE workout_id = ? "
        "ORDER BY generation DESC LIMIT 1",
        [workout_id],
    ).fetchall()
    if newest:
        newest_run = newest[0][0]
        if _says_the_same(
            connection, RESULTS, results, workout_id=workout_id, run_id=newest_run
        ) and _says_the_same(
            connection, FINDINGS, findings, workout_id=workout_id, run_id=newest_run
        ):
            return False
    if _has_measured(connection, workout_id=workout_id, run_id=run_id):
        raise ValueError(f"run {run_id} has already measured workout {workout_id} otherwise")
    append_rows(connection, RESULTS, results)
    append_rows(connection, FINDINGS, findings)
    instants = [instant for instant in results.column("computed_at").to_pylist() if instant]
    measurement = {
        "workout_id": workout_id,
        "run_id": run_id,
        # Counted, not timed: a clock that was set back must not make old values the newest.
        "generation": 1 + (newest[0][1] if newest else 0),
        "computed_at": max(instants, default=None),
        "n_results": results.num_rows,
        "n_findings": findings.num_rows,
    }
    append_rows(connection, MEASUREMENTS, make_rows(MEASUREMENTS, [measurement]))
    return True


def find_newest_run(connection: duckdb.DuckDBPyConnection, workout_id: str) -> str | None:
    """Return the run whose results of the workout hold now, None when it was never measured."""
    rows = connection.execute(
        "SELECT arg_max(run_id, generation) FROM measurements WHERE workout_id = ?", [workout_id]
    ).fetchall()
    run_id: str | None = rows[0][0]
    return run_id


def find_table(table: Table | str) -> Table:
    """Return the declared table; `table` may be its name. Raises ValueError when there is none."""
    if isinstance(table, Table):
        return table
    if table not in TABLES or TABLES[table].home != "store":
        raise ValueError(f"the store has no table {table!r}")
    return TABLES[table]


def check_rows(table: Table, rows: pa.Table) -> None:
    """Raise ValueError unless `rows` have exactly the declared columns, types and order."""
    wanted = build_schema(table)
    if rows.schema.equals(wanted, check_metadata=False):
        return
    for position, field in enumerate(wanted):
        found = rows.schema.field(position) if position < len(rows.schema) else None
        if found is None or found.name != field.name or found.type != field.type:
            said = "nothing" if found is None else f"{found.name} ({found.type})"
            raise ValueError(
                f"rows for {table.name}: column {position + 1} must be {field.name} "
                f"({field.type}), found {said}"
            )
    raise ValueError(
        f"rows for {table.name}: {len(rows.schema)} columns, {len(wanted)} are declared"
    )


def _check_keys(table: Table, rows: pa.Table) -> None:
    distinct = rows.group_by(list(table.key)).aggregate([]).num_rows
    if distinct != rows.num_rows:
        raise ValueError(
            f"rows for {table.name}: {rows.num_rows} rows, but only {distinct} different keys "
            f"({', '.join(table.key)})"
        )


def _check_constant(table: Table, rows: pa.Table, column: str, value: str) -> None:
    others = set(rows.column(column).unique().to_pylist()) - {value}
    if others:
        raise ValueError(f"rows for {table.name}: {column} must be {value!r}, found {others}")


def _says_the_same(
    connection: duckdb.DuckDBPyConnection,
    table: Table,
    rows: pa.Table,
    *,
    workout_id: str,
    run_id: str,
) -> bool:
    columns = list_names(tuple(name for name in table.column_names if name not in _PROVENANCE))
    there = f"FROM {quote_name(table.name)} WHERE workout_id = ? AND run_id = ?"
    same_run = [workout_id, run_id]
    n_there = _count(connection, f"SELECT count(*) {there}", same_run)
    if n_there != rows.num_rows:
        return False
    with _offer(connection, rows):
        n_new = _count(
            connection,
            f"SELECT count(*) FROM (SELECT {columns} FROM {_INCOMING} "  # noqa: S608
            f"EXCEPT ALL SELECT {columns} {there})",
            same_run,
        )
    return n_new == 0


def _has_measured(connection: duckdb.DuckDBPyConnection, *, workout_id: str, run_id: str) -> bool:
    return bool(
        _count(
            connection,
            "SELECT count(*) FROM measurements WHERE workout_id = ? AND run_id = ?",
            [workout_id, run_id],
        )
    )


def _build_condition(
    table: Table, where: Mapping[str, Collection[str]]
) -> tuple[str, list[list[str]]]:
    unknown = sorted(set(where) - set(table.column_names))
    if unknown:
        raise ValueError(f"table {table.name} has no column {', '.join(unknown)}")
    conditions = [f"{quote_name(column)} IN (SELECT unnest(?::VARCHAR[]))" for column in where]
    return " AND ".join(conditions) or "true", [list(values) for values in where.values()]


@contextlib.contextmanager
def _offer(connection: duckdb.DuckDBPyConnection, rows: pa.Table) -> Iterator[None]:
    """Let SQL see `rows` as a view while the block lasts."""
    connection.register(_INCOMING, rows)
    try:
        yield
    finally:
        connection.unregister(_INCOMING)


def _count(
    connection: duckdb.DuckDBPyConnection, statement: str, values: Sequence[object] = ()
) -> int:
    """Run `statement` and give the one number that it answers with."""
    rows = connection.execute(statement, list(values)).fetchall()
    return int(rows[0][0])
