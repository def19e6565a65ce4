"""`coworn sql`: one query, or a prompt; read-only in fact."""

from __future__ import annotations

import contextlib
import shutil
import sys
from pathlib import Path  # noqa: TC003 - typer resolves the annotations at run time
from typing import TYPE_CHECKING, Annotated, Final, cast, get_args

import typer

from flows.commands.declare import Options, command
from flows.console import terminal
from flows.session.umask import user_umask
from tasks.core.errors import UsageError

if TYPE_CHECKING:
    import duckdb

    from config.home import Home
    from tasks.store import Form, QueryError

#: Largest answers, so that a join gone wrong does not take a watcher's memory; as text each value
#: takes ten times its bytes while it is written [byte].
_MOST_TEXT_BYTES: Final = 256_000_000
_MOST_PARQUET_BYTES: Final = 2_000_000_000


@command()
def sql(
    options: Options,
    query: Annotated[
        str | None, typer.Argument(help="SQL, or the name of a saved query; without one, a prompt.")
    ] = None,
    form: Annotated[
        str, typer.Option("--format", metavar="FORM", help="table, rows, csv, json or parquet.")
    ] = "table",
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="Write to this file.", show_default=False),
    ] = None,
    list_: Annotated[
        bool, typer.Option("--list", help="Show tables, views and saved queries.")
    ] = False,
) -> int:
    """Ask the results in SQL; nothing can be changed by it.

    Without a query, in a terminal, it opens a prompt with history, completion by Tab and several
    lines for a query; .help lists its commands. Saved queries of your own are files in
    queries/ of the home, NAME.sql, the first line a comment that says what each answers.

    Raises: UsageError; QueryError; CowornError when there are no results yet.
    """
    from flows.session.home import is_inside, open_existing_home
    from tasks.store import Form, QueryError, connect_for_reading

    if form not in get_args(Form):
        raise UsageError(f"--format {form}: choose one of {', '.join(get_args(Form))}")
    home = open_existing_home(options.home).home
    if out is not None and is_inside(out, home):
        raise UsageError(
            f"--out {out}: nothing is written into the home folder, where it might take the place "
            "of results; name another place"
        )
    if not list_ and query is None and sys.stdin.isatty():
        from flows.commands.sql_prompt import run_prompt

        return run_prompt(home)
    asked = sys.stdin.read() if query is None else query
    statement = "" if list_ else _find_statement(asked, home)
    with contextlib.closing(connect_for_reading(home, statement=statement)) as connection:
        if list_:
            from flows.commands.sql_prompt import describe_objects

            _write(describe_objects(connection, home))
            return 0
        try:
            _answer(connection, statement, form=cast("Form", form), out=out, quiet=options.quiet)
        except QueryError as error:
            raise _explain(error, statement, connection, home) from error
    return 0


def _find_statement(query: str, home: Home) -> str:
    """Return the text of the saved query of that name, else what was asked."""
    from tasks.store import load_saved_queries

    saved = load_saved_queries(home.queries).get(query.strip().rstrip(";"))
    return query if saved is None else saved.sql


def _explain(
    error: QueryError, query: str, connection: duckdb.DuckDBPyConnection, home: Home
) -> QueryError:
    """Return the error with what may have been meant, where a name is unknown."""
    from flows.commands.sql_prompt import explain_unknown
    from flows.commands.sql_words import read_words
    from tasks.store import load_saved_queries

    return explain_unknown(
        error, query, read_words(connection, saved=load_saved_queries(home.queries))
    )


def _answer(
    connection: duckdb.DuckDBPyConnection,
    statement: str,
    *,
    form: Form,
    out: Path | None,
    quiet: bool = False,
) -> None:
    from tasks.store import format_rows, run_query, write_rows

    most_bytes = _MOST_PARQUET_BYTES if form == "parquet" else _MOST_TEXT_BYTES
    rows = run_query(connection, statement, most_bytes=most_bytes)
    if out is not None:
        with user_umask():
            write_rows(rows, out, form=form)
        if not quiet:
            sys.stderr.write(f"{rows.num_rows} rows written to {terminal.clean(out)}\n")
        return
    if not sys.stdout.isatty():
        _write(format_rows(rows, form))
        return
    text = format_rows(rows, form, width=shutil.get_terminal_size().columns)
    # A file gets every byte; a terminal would act on some.
    _write("\n".join(terminal.clean(line) for line in text.splitlines()) + "\n")


def _write(text: str) -> None:
    sys.stdout.write(text)
    sys.stdout.flush()
