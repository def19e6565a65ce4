"""What is new among answers: those that differ from what holds, and those that hold no more."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from tasks.verdicts.words import TOO_FEW

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Sequence

    import duckdb

    from tasks.tables.tables import Table

Row = dict[str, Any]

_WITHDRAWN: Final = "no workouts are left, or it is no longer asked"


#: At how many workouts earlier runs looked, for each device and opponent.
_EARLIER: Final = """
SELECT device_id, against, list(DISTINCT n) FROM (
  SELECT device_id, against, run_id, max(n_workouts) AS n FROM verdicts
  WHERE family = 'headline' AND n_workouts > 0 GROUP BY ALL
) GROUP BY ALL
"""


def read_earlier(connection: duckdb.DuckDBPyConnection) -> dict[tuple[str, str], list[int]]:
    """Return the numbers of workouts at which each device and opponent were looked at before."""
    found = connection.execute(_EARLIER).fetchall()
    return {(device_id, against): numbers for device_id, against, numbers in found}


def select_new(
    connection: duckdb.DuckDBPyConnection,
    table: Table,
    rows: list[Row],
    *,
    only: Collection[str] | None = None,
) -> list[Row]:
    """Return of all answers those that the newest rows of `table` do not say already.

    With `only`, rows of other devices are left as they are.
    """
    columns = _list_columns(table)
    known = set(_read_newest(connection, table))
    every = [*rows, *withdraw(connection, table, rows, only=only)]
    return [row for row in every if tuple(row[name] for name in columns) not in known]


def withdraw(
    connection: duckdb.DuckDBPyConnection,
    table: Table,
    rows: Sequence[Row],
    *,
    only: Collection[str] | None = None,
) -> Iterator[Row]:
    """Return rows with no workouts for questions answered before that are not in `rows`."""
    columns, key = _list_columns(table), _list_key(table)
    asked = {tuple(row[name] for name in key) for row in rows}
    for values in _read_newest(connection, table):
        held = dict(zip(columns, values, strict=True))
        if only is not None and {held["device_id"], held.get("against")}.isdisjoint(only):
            continue
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
