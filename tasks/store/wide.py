"""What the private store makes ready for its copies: wide views as tables, the others as views.

The tables have a row per recording and segment, made once for each workout; they go with the store
into every published copy. Whether a workout's rows still hold is known from a mark of all that they
depend on, computed anew each time: whoever changed the store, and why, does not matter. A change of
the register or of a declaration makes all anew.
"""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Final, Literal, get_args

from tasks.core.registers import Domain
from tasks.store.ddl import (
    FACTS_TABLE,
    hash_declarations,
    list_names,
    quote_name,
    recall_fact,
    remember_fact,
)
from tasks.store.views import SETUP_KEYS, View, build_main_view

if TYPE_CHECKING:
    from collections.abc import Iterable

    import duckdb

#: What each workout's rows were made from; never published.
MARKS_TABLE: Final = "wide_marks"
#: What their columns of devices were made from; never published.
DEVICES_TABLE: Final = "wide_devices"
#: Workouts that are done together: it bounds the memory when all are made anew.
_TOGETHER: Final = 250
#: Under which name the newest results of these workouts are shown to the views' queries.
_FRESH: Final = "fresh_results"
_DEFINED: Final = "wide_tables"
_VIEWED: Final = "view_marks"

#: All that the wide rows of a workout depend on beside its devices: its newest measurement, its
#: own row, its recordings, and its setups.
_MARKS: Final = f"""
SELECT workouts.workout_id, hash(workouts.start_utc, workouts.activity, workouts.place,
  newest.run_id, newest.n_results, worn.mark, setup.mark) AS mark
FROM workouts
LEFT JOIN (
  SELECT workout_id, arg_max(run_id, generation) AS run_id,
    arg_max(n_results, generation) AS n_results
  FROM measurements GROUP BY workout_id
) AS newest ON newest.workout_id = workouts.workout_id
LEFT JOIN (
  SELECT workout_id, bit_xor(hash(recording_id, firmware, device_id)) AS mark
  FROM recordings GROUP BY workout_id
) AS worn ON worn.workout_id = workouts.workout_id
LEFT JOIN (
  SELECT workout_id, bit_xor(hash(device_id, key, value)) AS mark FROM setups
  WHERE key IN ({", ".join(f"'{key}'" for key in SETUP_KEYS)}) GROUP BY workout_id
) AS setup ON setup.workout_id = workouts.workout_id
"""  # noqa: S608 - our own words

_DEVICES: Final = "SELECT device_id, hash(name, role, site) AS mark FROM devices"


def build_wide(source: str = "latest_results") -> tuple[View, ...]:
    """Return the wide views that are kept as tables, over the newest results in `source`."""
    return tuple(build_main_view(domain, source) for domain in get_args(Domain))


def renew_wide(connection: duckdb.DuckDBPyConnection) -> int:
    """Bring the wide tables up to the rows of the store; return the number of workouts done.

    `connection` is one that can write, with the views of what holds now.
    """
    views = build_wide()
    if not _is_defined(connection, views):
        define_wide(connection)
    connection.execute(f"CREATE OR REPLACE TEMPORARY TABLE marks_now AS {_MARKS}")
    stale = _find_stale(connection, views)
    for begin in range(0, len(stale), _TOGETHER):
        _renew(connection, stale[begin : begin + _TOGETHER])
    connection.execute("DROP TABLE marks_now")
    return len(stale)


def _find_stale(connection: duckdb.DuckDBPyConnection, views: tuple[View, ...]) -> list[str]:
    """Return the workouts whose rows were made from something else than the store holds now."""
    stale = connection.execute(
        "SELECT coalesce(marks_now.workout_id, made.workout_id) AS workout_id "  # noqa: S608
        f"FROM marks_now FULL JOIN {MARKS_TABLE} AS made USING (workout_id) "
        "WHERE marks_now.mark IS DISTINCT FROM made.mark"
    ).fetchall()
    changed = connection.execute(
        f"SELECT device_id FROM ({_DEVICES}) AS devices_now "  # noqa: S608 - our own words
        f"FULL JOIN {DEVICES_TABLE} AS made USING (device_id) "
        "WHERE devices_now.mark IS DISTINCT FROM made.mark"
    ).fetchall()
    if changed:
        for view in views:
            stale += connection.execute(
                f"SELECT DISTINCT workout_id FROM {quote_name(view.name)} "  # noqa: S608
                "WHERE list_contains(?, device_id)",
                [[device_id for (device_id,) in changed]],
            ).fetchall()
        connection.execute(f"DELETE FROM {DEVICES_TABLE}")  # noqa: S608 - our own name
        connection.execute(f"INSERT INTO {DEVICES_TABLE} {_DEVICES}")
    return sorted({workout_id for (workout_id,) in stale})


def renew_views(connection: duckdb.DuckDBPyConnection, views: tuple[View, ...]) -> None:
    """Let the store have the views that people read by: a copy then has them, with its tables.

    To make them takes longer than to copy a store of hundreds of workouts, so that those stay
    which are as declared. The connection's own views of the same names are gone afterwards.
    """
    wanted = {view.name: view for view in views if not view.is_table}
    marks = {name: _mark_statements(view.statements()) for name, view in wanted.items()}
    there = _list_names(connection, "view")
    made = json.loads(recall_fact(connection, _VIEWED) or "{}")
    if made == marks and set(wanted) == there:
        return
    for name in _list_names(connection, "view", temporary=True):
        connection.execute(f"DROP VIEW temp.{quote_name(name)}")
    kept = {name for name in there if name in marks and made.get(name) == marks[name]}
    for name in there - kept:
        connection.execute(f"DROP VIEW {quote_name(name)}")
    for name, view in wanted.items():
        if name not in kept:
            for statement in view.statements():
                connection.execute(statement)
    remember_fact(connection, _VIEWED, json.dumps(marks))


def _mark_statements(statements: Iterable[str]) -> str:
    return hashlib.sha256("\n".join([hash_declarations(), *statements]).encode()).hexdigest()[:12]


def _list_names(
    connection: duckdb.DuckDBPyConnection,
    kind: Literal["table", "view"],
    *,
    temporary: bool = False,
) -> set[str]:
    rows = connection.execute(
        f"SELECT {kind}_name FROM duckdb_{kind}s() "  # noqa: S608 - one of two words
        "WHERE NOT internal AND temporary = ? "
        "AND (temporary OR database_name = current_database())",
        [temporary],
    ).fetchall()
    return {name for (name,) in rows}


def _is_defined(connection: duckdb.DuckDBPyConnection, views: tuple[View, ...]) -> bool:
    if recall_fact(connection, _DEFINED) != _mark_definition(views):
        return False
    wanted = {MARKS_TABLE, DEVICES_TABLE, *(view.name for view in views)}
    return wanted <= _list_names(connection, "table")


def _mark_definition(views: tuple[View, ...]) -> str:
    statements = (statement for view in views for statement in view.statements())
    return _mark_statements([_MARKS, _DEVICES, *statements])


def define_wide(connection: duckdb.DuckDBPyConnection) -> None:
    """Create the wide tables without rows, also where older ones are."""
    views = build_wide()
    for view in views:
        name = quote_name(view.name)
        connection.execute(f"DROP TABLE IF EXISTS {name}")
        connection.execute(f"CREATE TABLE {name} AS {view.query} LIMIT 0")
        for statement in view.comment_statements("TABLE"):
            connection.execute(statement)
    for table, key in ((MARKS_TABLE, "workout_id"), (DEVICES_TABLE, "device_id")):
        connection.execute(f"DROP TABLE IF EXISTS {table}")
        connection.execute(f"CREATE TABLE {table} ({key} VARCHAR PRIMARY KEY, mark UBIGINT)")
    remember_fact(connection, _DEFINED, _mark_definition(views))


def _renew(connection: duckdb.DuckDBPyConnection, workout_ids: list[str]) -> None:
    """Make the rows of some workouts anew; those of a workout that is gone go."""
    chosen = "workout_id IN (SELECT unnest(?::VARCHAR[]))"
    connection.execute(
        f"CREATE OR REPLACE TEMPORARY TABLE {_FRESH} AS FROM latest_results WHERE {chosen}",
        [workout_ids],
    )
    for view in build_wide(_FRESH):
        name = quote_name(view.name)
        connection.execute(f"DELETE FROM {name} WHERE {chosen}", [workout_ids])  # noqa: S608
        columns = list_names(tuple(column for column, _ in view.comments))
        connection.execute(f"INSERT INTO {name} ({columns}) {view.query}")
    connection.execute(f"DELETE FROM {MARKS_TABLE} WHERE {chosen}", [workout_ids])  # noqa: S608
    connection.execute(
        f"INSERT INTO {MARKS_TABLE} FROM marks_now WHERE {chosen}",
        [workout_ids],
    )
    connection.execute(f"DROP TABLE {_FRESH}")


def drop_private(connection: duckdb.DuckDBPyConnection) -> None:
    """Take out of a copy what only the private store knows."""
    for table in (FACTS_TABLE, MARKS_TABLE, DEVICES_TABLE):
        connection.execute(f"DROP TABLE IF EXISTS {table}")
