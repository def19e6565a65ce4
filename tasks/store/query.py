"""A person's SQL, answered by a connection that can only read.

The newest published copy is opened read-only, so that nothing in it, nor any file attached
later, can be written; DuckDB's access to files, the network and extensions is switched off and
its settings are locked. The lake is read by Arrow and shown to SQL as views, because a folder
that DuckDB may read would also be one that it may write to.
"""

from __future__ import annotations

import contextlib
import re
import threading
import time
from concurrent.futures import Future
from dataclasses import dataclass, replace
from importlib import resources
from typing import TYPE_CHECKING, Any, Final

import duckdb
import pyarrow as pa

from tasks.core.errors import CowornError, StoreBusyError
from tasks.store import aligned as aligned_view
from tasks.store.connect import is_busy, name_holder
from tasks.store.ddl import quote_text
from tasks.store.publish import find_published
from tasks.store.views import LAKE_VIEWS, find_partition
from tasks.tables.arrow import build_schema

if TYPE_CHECKING:
    from collections.abc import Callable, Collection
    from pathlib import Path

    from config.home import Home

#: How often the link is followed again when the copy was removed in between.
_TRIES: Final = 3
#: Rows that are looked at together when the size of an answer is limited.
_BATCH_ROWS: Final = 100_000
#: Time after which Ctrl-C is heard at the latest [s].
_LISTEN_EVERY_S: Final = 0.5
#: Time for a query to end after it was interrupted [s].
_END_TIMEOUT_S: Final = 5.0
QUERY_SUFFIX: Final = ".sql"
_QUERY_NAME: Final = re.compile(r"[A-Za-z0-9][\w-]{0,99}")
#: In the names of DuckDB's functions that take a statement or a table's name as text.
_PUTS_NAMES_TOGETHER: Final = "query"
_CONFIGURATION: Final = {
    "enable_external_access": "false",
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "allow_community_extensions": "false",
    "allow_persistent_secrets": "false",
    "python_enable_replacements": "false",
    # An answer larger than the memory is an error, not files in somebody's folder.
    "temp_directory": "",
}


class QueryError(CowornError):
    """A query that cannot be answered; the message is DuckDB's, in one line."""


@dataclass(frozen=True)
class SavedQuery:
    """A query that comes with coworn, or is a person's own; its first line, a comment, says what.

    `is_own` says that it lies in the home.
    """

    name: str
    description: str
    sql: str
    is_own: bool = False


def connect_for_reading(home: Home, *, statement: str | None = None) -> duckdb.DuckDBPyConnection:
    """Open the newest published copy for a person's SQL; whatever is published later is not seen.

    Times are shown in UTC. The caller closes the connection. Where the connection is for one
    `statement` only, it has no more views of the lake than that names: to open all of them takes
    longer than most answers.
    Raises: CowornError when nothing was published yet; StoreBusyError when somebody has the copy
    open for writing.
    """
    for _ in range(_TRIES):
        copy = find_published(home)
        if copy is None:
            break
        try:
            connection = duckdb.connect(str(copy), read_only=True, config=dict(_CONFIGURATION))
        except duckdb.Error as error:
            if is_busy(error):
                raise StoreBusyError(
                    f"{copy.name} is open for writing in {name_holder(error)}; close it there, or "
                    "open it read-only"
                ) from error
            if copy.exists():
                raise QueryError(f"{copy.name}: {_first_line(error)}") from error
            continue
        _prepare(connection, home.lake, statement)
        return connection
    raise CowornError(
        f"{home.results}: no results yet; drop exports into {home.inbox} and run coworn watch, "
        "or run coworn ingest PATH"
    )


def show_lake(
    connection: duckdb.DuckDBPyConnection, lake: Path, owners: Collection[str] | None = None
) -> None:
    """Show to SQL what the lake holds of some recordings and workouts, None: of all.

    To open it for all takes longer the more there are.
    """
    for view in LAKE_VIEWS:
        connection.register(view, _open_lake_table(view, lake, owners))


def run_query(
    connection: duckdb.DuckDBPyConnection, sql: str, *, most_bytes: int | None = None
) -> pa.Table:
    """Answer `sql`; of several statements the last one's answer counts.

    A statement without an answer gives a table without columns. Columns of one name are numbered.
    Ctrl-C ends the query. Raises: QueryError, also for an answer of more than `most_bytes`.
    """
    try:
        table = _wait_for(connection, lambda: _fetch(connection, sql, most_bytes))
    except (duckdb.Error, pa.ArrowException, OSError) as error:
        raise QueryError(_first_line(error)) from error
    return _name_columns_apart(table)


def list_objects(connection: duckdb.DuckDBPyConnection) -> pa.Table:
    """Return name, kind (table or view) and comment of everything that can be queried."""
    return run_query(
        connection,
        "SELECT name, kind, comment FROM ("
        "SELECT table_name AS name, 'table' AS kind, comment FROM duckdb_tables() "
        "WHERE database_name = current_database() AND NOT internal "
        "UNION ALL SELECT view_name, 'view', comment FROM duckdb_views() "
        "WHERE database_name = current_database() AND NOT internal) ORDER BY kind, name",
    )


def list_columns(connection: duckdb.DuckDBPyConnection, name: str) -> pa.Table:
    """Return column, type and comment of the table or view `name`; of none, no rows."""
    return run_query(
        connection,
        "SELECT column_name AS column, data_type AS type, comment FROM duckdb_columns() "  # noqa: S608
        "WHERE database_name = current_database() AND NOT internal "
        f"AND table_name = {quote_text(name)} ORDER BY column_index",
    )


def load_saved_queries(own: Path | None = None) -> dict[str, SavedQuery]:
    """Return the queries under `config/queries` by their name, and those in the folder `own`.

    A person's own query takes the place of a shipped one of its name. A file that is no text is
    left out.
    """
    folder = resources.files("config").joinpath("queries")
    queries = {
        query.name: query
        for query in (
            _read_query(entry.name, entry.read_text(encoding="utf-8"))
            for entry in folder.iterdir()
            if entry.name.endswith(QUERY_SUFFIX)
        )
    }
    for path in sorted(own.glob(f"*{QUERY_SUFFIX}")) if own is not None else ():
        with contextlib.suppress(OSError, UnicodeDecodeError):
            query = _read_query(path.name, path.read_text(encoding="utf-8-sig"))
            queries[query.name] = replace(query, is_own=True)
    return dict(sorted(queries.items()))


def save_query(sql: str, name: str, folder: Path) -> Path:
    """Keep a query as `name` in `folder`; return its file. Raises: QueryError."""
    if not _QUERY_NAME.fullmatch(name):
        raise QueryError(f"{name!r} is no name for a query; use letters, digits, - and _")
    path = folder / f"{name}{QUERY_SUFFIX}"
    if path.exists():
        raise QueryError(f"{path.name} is there already; take another name, or delete it first")
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    comment = "" if sql.lstrip().startswith("--") else f"-- {' '.join(sql.split())[:60]}\n"
    path.write_text(f"{comment}{sql.strip()}\n", encoding="utf-8")
    return path


# --- inside -----------------------------------------------------------------------------------
def _prepare(connection: duckdb.DuckDBPyConnection, lake: Path, statement: str | None) -> None:
    named = _find_named(statement)
    for view in named:
        connection.register(view, _open_lake_table(view, lake))
    if "samples" in named:
        # The view of the copy reads Parquet by itself, which is locked here.
        connection.execute(
            f"CREATE OR REPLACE TEMPORARY VIEW aligned_samples AS {aligned_view.QUERY}"
        )
    locked = connection.execute("SELECT current_setting('lock_configuration')").fetchall()
    if not locked[0][0]:  # a second connection of this process shares the first one's settings
        connection.execute("SET GLOBAL TimeZone = 'UTC'")
        connection.execute("SET lock_configuration = true")


def _find_named(statement: str | None) -> list[str]:
    """Return the views of the lake that a statement may ask; without a statement, all."""
    said = None if statement is None else statement.lower()
    # Functions such as query('...') put names together.
    if said is None or _PUTS_NAMES_TOGETHER in said:
        return list(LAKE_VIEWS)
    return [view for view in LAKE_VIEWS if view in said]


def _open_lake_table(
    view: str,
    lake: Path,
    owners: Collection[str] | None = None,
) -> Any:  # noqa: ANN401 - a table or a data set
    from pyarrow import dataset  # noqa: PLC0415 - slow to import

    table = LAKE_VIEWS[view]
    partition = pa.field(find_partition(table).name, pa.string())
    schema = pa.schema([partition, *build_schema(table)])
    folder = lake / table.name
    folders = ["*"] if owners is None else [f"{partition.name}={one}" for one in owners]
    files = sorted(str(path) for one in folders for path in folder.glob(f"{one}/*.parquet"))
    if not files:
        return schema.empty_table()
    return dataset.dataset(
        files,
        schema=schema,
        format="parquet",
        partitioning=dataset.partitioning(pa.schema([partition]), flavor="hive"),
    )


def _fetch(connection: duckdb.DuckDBPyConnection, sql: str, most_bytes: int | None) -> pa.Table:
    answer: duckdb.DuckDBPyRelation | None = connection.sql(sql)
    if answer is None:
        return pa.table({})
    reader = answer.to_arrow_reader(_BATCH_ROWS)
    batches: list[pa.RecordBatch] = []
    n_bytes = 0
    try:
        for batch in reader:
            n_bytes += batch.nbytes
            if most_bytes is not None and n_bytes > most_bytes:
                raise QueryError(
                    f"the answer has more than {most_bytes / 1e6:.0f} MB; ask for less (LIMIT, or "
                    "means instead of samples), or write it to a file with --format parquet --out "
                    "FILE"
                )
            batches.append(batch)
        return pa.Table.from_batches(batches, schema=reader.schema)
    finally:
        # An answer that is not read to its end would bar the connection.
        reader.close()


def _wait_for(connection: duckdb.DuckDBPyConnection, ask: Callable[[], pa.Table]) -> pa.Table:
    """Return what `ask` returns, from a thread: Python hears Ctrl-C between its own steps only."""
    asked: Future[pa.Table] = Future()

    def run() -> None:
        try:
            asked.set_result(ask())
        except BaseException as error:  # noqa: BLE001 - raised again where it is waited for
            asked.set_exception(error)

    thread = threading.Thread(target=run, name="query", daemon=True)
    try:
        thread.start()
        while thread.is_alive():
            # Not for ever: a signal may have come to another thread.
            thread.join(_LISTEN_EVERY_S)
        return asked.result()
    except KeyboardInterrupt:
        give_up_at = time.monotonic() + _END_TIMEOUT_S
        while not asked.done() and time.monotonic() < give_up_at:
            # Again and again: a query that has only just begun does not hear it.
            connection.interrupt()
            time.sleep(0.01)
        raise


def _name_columns_apart(table: pa.Table) -> pa.Table:
    names: list[str] = []
    for name in table.column_names:
        number, chosen = 1, name
        while chosen in names:
            number += 1
            chosen = f"{name}_{number}"
        names.append(chosen)
    return table.rename_columns(names)


def _first_line(error: BaseException) -> str:
    lines = str(error).strip().splitlines()
    return lines[0] if lines else type(error).__name__


def _read_query(file_name: str, text: str) -> SavedQuery:
    first = text.lstrip().partition("\n")[0].strip()
    description = first.removeprefix("--").strip() if first.startswith("--") else first
    return SavedQuery(file_name.removesuffix(QUERY_SUFFIX), description, text)
