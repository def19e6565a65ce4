"""Rows of an SQL answer as dictionaries, for the few rows that Python looks at one by one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import duckdb


def fetch_rows(
    connection: duckdb.DuckDBPyConnection,
    sql: str,
    parameters: Sequence[Any] | Mapping[str, Any] = (),
) -> list[dict[str, Any]]:
    """Return the rows of an answer as dictionaries."""
    cursor = connection.execute(sql, parameters)
    names = [column[0] for column in cursor.description or ()]
    return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]
