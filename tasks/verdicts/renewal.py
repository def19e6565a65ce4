"""What is new among answers: those that differ from what holds, and those that hold no more."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from tasks.verdicts.conclude import TOO_FEW

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import duckdb

    from tasks.tables.tables import Table

Row = dict[str, Any]

_WITHDRAWN: Final = "no workouts are left, or it is no longer asked"


def select_new(connection: duckdb.DuckDBPyConnection, table: Table, rows: list[Row]) -> list[Row]:
    """Return of all answers those that the newest rows of `table` do not say already."""
    columns = _list_columns(table)
    known = set(_read_newest(connection, table))
    every = [*rows, *withdraw(connection, table, rows)]
    return [row for row in every if tuple(row[name] for name in columns) not in known]


def withdraw(
    connection: duckdb.DuckDBPyConnection, table: Table, rows: Sequence[Row]
) -> Iterator[Row]:
    """Return rows with no workouts for questions answered before that are not in `rows`."""
    columns, key = _list_columns(table), _list_key(table)
    asked = {tuple(row[name] for name in key) for row in rows}
    for values in _read_newest(connection, table):
        held = dict(zip(columns, values, strict=True))
        named = {name: held[name] for name in key}
        if held["n_workouts"] and tuple(named.values()) not in asked:
            kept = {"unit": held["unit"], "n_workouts": 0, "note": _WITHDRAWN}
            verdict = {"verdict": TOO_FEW} if "verdict" in columns else {}
            yield {**dict.fromkeys(columns), **named, **kept, **verdict}


def _read_newest(connection: duckdb.DuckDBPyConnection, table: Table) -> list[tuple[Any, ...]]:
    names = ", ".join(f'"{name}"' for name in _list_columns(table))
    # Declared names only.
    return connection.execute(f"SELECT {names} FROM latest_{table.name} ORDER BY ALL").fetchall()  # noqa: S608


def _list_columns(table: Table) -> tuple[str, ...]:
    return tuple(name for name in table.column_names if name != "run_id")


def _list_key(table: Table) -> tuple[str, ...]:
    return tuple(name for name in table.key if name != "run_id")
