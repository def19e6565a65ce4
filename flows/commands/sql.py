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
from tasks.core.errors import CowornError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

    import duckdb

    from config.home import Home
    from tasks.store import Form

_PROMPT: Final = "coworn> "
_MORE: Final = "   ...> "
#: Largest answers, so that a join gone wrong does not take a watcher's memory; as text each value
#: takes ten times its bytes while it is written [byte].
_MOST_TEXT_BYTES: Final = 256_000_000
_MOST_PARQUET_BYTES: Final = 2_000_000_000
_HELP: Final = (
    "End a query with a semicolon. .tables shows tables, views and saved queries, .columns NAME "
    "the columns of one, .saved NAME runs a saved query, .refresh looks for newer results, .quit "
    "leaves."
)


@command()
def sql(
    options: Options,
    query: Annotated[
        str | None, typer.Argument(help="The query; without one, an interactive prompt.")
    ] = None,
    form: Annotated[str, typer.Option("--format", help="table, csv, json or parquet.")] = "table",
    out: Annotated[
        Path | None, typer.Option("--out", help="Write to this file.", show_default=False)
    ] = None,
    list_: Annotated[
        bool, typer.Option("--list", help="Show tables, views and saved queries.")
    ] = False,
) -> int:
    """Ask the results in SQL; nothing can be changed by it.

    Raises: UsageError; QueryError; CowornError when there are no results yet.
    """
    from flows.session.home import is_inside, open_existing_home
    from tasks.store import Form, connect_for_reading

    if form not in get_args(Form):
        raise UsageError(f"--format {form}: choose one of {', '.join(get_args(Form))}")
    home = open_existing_home(options.home).home
    if out is not None and is_inside(out, home):
        raise UsageError(
            f"--out {out}: nothing is written into the home folder, where it might take the place "
            "of results; name another place"
        )
    if not list_ and query is None and sys.stdin.isatty():
        return _prompt(home)
    statement = "" if list_ else _find_statement(sys.stdin.read() if query is None else query)
    with contextlib.closing(connect_for_reading(home, statement=statement)) as connection:
        if list_:
            _write(_describe_objects(connection))
        else:
            _answer(connection, statement, form=cast("Form", form), out=out, quiet=options.quiet)
    return 0


def _find_statement(query: str) -> str:
    """Return the text of the saved query of that name, else what was asked."""
    from tasks.store import load_saved_queries

    saved = load_saved_queries().get(query.strip())
    return query if saved is None else saved.sql


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


def _describe_objects(connection: duckdb.DuckDBPyConnection) -> str:
    from tasks.store import format_rows, list_objects, load_saved_queries

    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
    text = format_rows(list_objects(connection), "table", width=width)
    saved = load_saved_queries()
    if saved:
        lines = [f"  {query.name}: {query.description}" for query in saved.values()]
        text += "\nsaved queries (coworn sql NAME):\n" + "\n".join(lines) + "\n"
    return text


def _prompt(home: Home) -> int:
    """Read queries until the end; the copy that is open stays the same until .refresh."""
    from tasks.store import connect_for_reading

    with contextlib.suppress(ImportError):
        import readline  # noqa: F401 - editing and history of the line
    _write(_HELP + "\n")
    connection = connect_for_reading(home)
    try:
        while True:
            try:
                text = _read_query(input)
            except EOFError:
                _write("\n")
                return 0
            try:
                if text in {".quit", ".exit"}:
                    return 0
                if text == ".refresh":
                    connection.close()
                    connection = connect_for_reading(home)
                else:
                    _run_line(connection, text)
            except CowornError as error:
                terminal.print_error(error)
            except KeyboardInterrupt:
                terminal.print_error("stopped")
    finally:
        connection.close()


def _run_line(connection: duckdb.DuckDBPyConnection, text: str) -> None:
    from tasks.store import format_rows, list_columns

    word, _, rest = text.partition(" ")
    if word == ".tables":
        _write(_describe_objects(connection))
    elif word == ".columns":
        _write(format_rows(list_columns(connection, rest.strip()), "table"))
    elif word == ".saved":
        _answer(connection, _find_statement(rest), form="table", out=None)
    elif word.startswith("."):
        _write(_HELP + "\n")
    elif text.strip("; \n"):
        _answer(connection, _find_statement(text), form="table", out=None)


def _read_query(read: Callable[[str], str]) -> str:
    """Read one query, or one command that begins with a dot, over as many lines as it has."""
    lines = [read(_PROMPT)]
    while (
        not lines[0].startswith(".") and lines[0].strip() and not lines[-1].rstrip().endswith(";")
    ):
        lines.append(read(_MORE))
    return "\n".join(lines).strip()


def _write(text: str) -> None:
    sys.stdout.write(text)
    sys.stdout.flush()
