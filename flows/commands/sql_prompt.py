"""The prompt of `coworn sql`: queries and commands, read until somebody leaves."""

from __future__ import annotations

import os
import shlex
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, cast

from flows.commands.sql_words import Words, is_whole, read_words, suggest
from flows.console import terminal
from tasks.core.errors import CowornError, UsageError
from tasks.store import (
    Form,
    QueryError,
    connect_for_reading,
    format_rows,
    list_columns,
    list_objects,
    load_saved_queries,
    run_query,
    save_query,
    write_rows,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    import duckdb
    import pyarrow as pa
    from prompt_toolkit import PromptSession

    from config.home import Home

#: How an answer is shown; `rows` is one value to a line.
MODES: Final = ("table", "rows", "csv", "json")
COMMANDS: Final = {
    ".tables": "tables, views and saved queries",
    ".columns NAME": "the columns of a table or view",
    ".saved [NAME]": "the saved queries, or run one",
    ".save NAME": "keep the last query as NAME, in queries/",
    ".mode [MODE]": f"how answers are shown: {', '.join(MODES)}",
    ".write FILE": "write the last answer to a file: .csv, .json or .parquet",
    ".refresh": "look for newer results",
    ".help": "these lines",
    ".quit": "leave; so does Ctrl-D",
}
_FORMS: Final = {".csv": "csv", ".json": "json", ".parquet": "parquet"}
_PROMPT: Final = "coworn> "
_MORE: Final = "   ...> "
_PAGER: Final = "less -FRSX"
#: Largest answer, so that a join gone wrong does not take a watcher's memory [byte].
_MOST_BYTES: Final = 256_000_000


def run_prompt(home: Home) -> int:
    """Read queries until the end; the copy that is open stays the same until .refresh."""
    prompt = Prompt(home)
    try:
        sys.stdout.write("Read-only. End a query with a semicolon; Tab completes, .help helps.\n")
        prompt.read_all()
    finally:
        prompt.close()
    return 0


class Prompt:
    """An open copy of the results, and what was asked of it last."""

    def __init__(self, home: Home) -> None:
        self._home = home
        self._connection: duckdb.DuckDBPyConnection = connect_for_reading(home)
        self._words = self._read_words()
        self._mode = "table"
        self._query = ""
        self._answer: pa.Table | None = None

    def close(self) -> None:
        """Close the copy."""
        self._connection.close()

    def read_all(self) -> None:
        """Read and answer until somebody leaves."""
        session = make_session(self._home, lambda: self._words)
        while True:
            try:
                text = session.prompt(_PROMPT).strip()
                if text in {".quit", ".exit"}:
                    return
                self.run(text)
            except EOFError:
                return
            except KeyboardInterrupt:
                continue
            except CowornError as error:
                terminal.print_error(error)

    def run(self, text: str) -> None:
        """Do one command, or answer one query. Raises: CowornError."""
        if text.startswith("."):
            command, _, rest = text.rstrip(";").partition(" ")
            self._do(command, rest.strip())
        elif text.strip("; \n"):
            saved = load_saved_queries(self._home.queries)
            found = saved.get(text.rstrip("; \n"))
            self._ask(text if found is None else found.sql)

    def _do(self, command: str, rest: str) -> None:
        actions: dict[str, Callable[[str], None]] = {
            ".tables": lambda _: show_text(describe_objects(self._connection, self._home)),
            ".columns": self._show_columns,
            ".saved": self._run_saved,
            ".save": self._save,
            ".mode": self._set_mode,
            ".write": self._write,
            ".refresh": lambda _: self._refresh(),
        }
        action = actions.get(command)
        if action is not None:
            action(rest)
            return
        width = max(map(len, COMMANDS))
        lines = [f"  {name:<{width}}  {what}" for name, what in COMMANDS.items()]
        unknown = (
            "" if command == ".help" else f"there is no {terminal.clean(command)}; there are\n"
        )
        sys.stdout.write(unknown + "\n".join(lines) + "\n")

    def _ask(self, query: str) -> None:
        try:
            rows = run_query(self._connection, query, most_bytes=_MOST_BYTES)
        except KeyboardInterrupt:
            terminal.print_error("stopped")
            return
        except QueryError as error:
            raise explain_unknown(error, query, self._words) from error
        self._query, self._answer = query, rows
        show_text(format_answer(rows, self._mode))

    def _show_columns(self, name: str) -> None:
        rows = list_columns(self._connection, name)
        if not rows.num_rows:
            near = suggest(f"Table with name {name} does not exist", "", self._words)
            raise UsageError(f"there is no table or view {name!r}; {near or '.tables lists them'}")
        show_text(format_answer(rows, "table"))

    def _run_saved(self, name: str) -> None:
        saved = load_saved_queries(self._home.queries)
        if not name:
            show_text(describe_saved(self._home))
            return
        if name not in saved:
            near = suggest("Parser Error", name, self._words)
            raise UsageError(f"there is no saved query {name!r}; {near or '.saved lists them'}")
        sys.stdout.write(terminal.clean(saved[name].description) + "\n")
        self._ask(saved[name].sql)

    def _save(self, name: str) -> None:
        if not self._query:
            raise UsageError("nothing was asked yet; ask, then keep it with .save NAME")
        path = save_query(self._query, name, self._home.queries)
        self._words = self._read_words()
        sys.stdout.write(f"kept as {terminal.clean(path)}; run it with {name};\n")

    def _set_mode(self, mode: str) -> None:
        if mode and mode not in MODES:
            raise UsageError(f"there is no mode {mode!r}; choose one of {', '.join(MODES)}")
        self._mode = mode or self._mode
        sys.stdout.write(f"answers are shown as {self._mode}\n")

    def _write(self, name: str) -> None:
        from flows.session.home import is_inside
        from flows.session.umask import user_umask

        path = Path(name).expanduser()
        form = _FORMS.get(path.suffix.lower())
        if self._answer is None or form is None:
            raise UsageError("ask first, then .write FILE, its name ending in .csv .json .parquet")
        if is_inside(path, self._home):
            raise UsageError(f"{path}: nothing is written into the home folder; name another place")
        with user_umask():
            write_rows(self._answer, path, form=cast("Form", form))
        sys.stdout.write(f"{self._answer.num_rows} rows written to {terminal.clean(path)}\n")

    def _refresh(self) -> None:
        self._connection.close()
        self._connection = connect_for_reading(self._home)
        self._words = self._read_words()

    def _read_words(self) -> Words:
        return read_words(
            self._connection,
            saved=load_saved_queries(self._home.queries),
            modes=MODES,
            commands=[name.partition(" ")[0] for name in COMMANDS],
        )


def make_session(home: Home, find_words: Callable[[], Words]) -> PromptSession[str]:
    """Return the line editor: history over sessions, completion, colours, several lines."""
    from prompt_toolkit import PromptSession
    from prompt_toolkit.application import get_app
    from prompt_toolkit.completion import CompleteEvent, Completer, Completion
    from prompt_toolkit.filters import Condition
    from prompt_toolkit.history import FileHistory
    from prompt_toolkit.lexers import PygmentsLexer
    from prompt_toolkit.shortcuts import CompleteStyle
    from pygments.lexers.sql import SqlLexer

    class WordCompleter(Completer):
        def get_completions(self, document: Any, complete_event: CompleteEvent) -> Iterator[Any]:  # noqa: ANN401, ARG002 - the library's own
            word, offered = find_words().complete(document.text_before_cursor)
            yield from (Completion(one, start_position=-len(word)) for one in offered)

    def goes_on() -> bool:
        return needs_more(get_app().current_buffer.text, find_words().saved)

    return PromptSession(
        history=FileHistory(str(prepare_history(home))),
        completer=WordCompleter(),
        complete_while_typing=False,
        complete_style=CompleteStyle.MULTI_COLUMN,
        lexer=PygmentsLexer(SqlLexer),
        multiline=Condition(goes_on),
        prompt_continuation=_MORE,
        enable_history_search=True,
    )


def needs_more(text: str, saved: Any) -> bool:  # noqa: ANN401 - any collection of names
    """Say whether Enter begins another line: a query goes on until its semicolon."""
    said = text.strip()
    return bool(said) and not said.startswith(".") and said not in saved and not is_whole(said)


def prepare_history(home: Home) -> Path:
    """Return the file that keeps what was asked, readable by its owner only."""
    path = home.sql_history
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    os.close(os.open(path, os.O_CREAT | os.O_RDWR | getattr(os, "O_CLOEXEC", 0), 0o600))
    path.chmod(0o600)
    return path


def explain_unknown(error: QueryError, query: str, words: Words) -> QueryError:
    """Return the error with what may have been meant, where a name is unknown."""
    hint = suggest(str(error), query, words)
    return error if hint is None else QueryError(f"{str(error).rstrip('!')}; {hint}")


def format_answer(rows: pa.Table, mode: str) -> str:
    """Return an answer as a person sees it."""
    width = shutil.get_terminal_size().columns
    return format_rows(rows, cast("Form", mode), width=width)


def describe_objects(connection: duckdb.DuckDBPyConnection, home: Home) -> str:
    """Return tables, views and saved queries, with what each is."""
    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
    return format_rows(list_objects(connection), "table", width=width) + "\n" + describe_saved(home)


def describe_saved(home: Home) -> str:
    """Return the saved queries; those of the person's own stand last."""
    saved = load_saved_queries(home.queries).values()
    text = ""
    for title, is_own in (
        ("saved queries (coworn sql NAME)", False),
        ("your own, in queries/", True),
    ):
        lines = [f"  {one.name}: {one.description}" for one in saved if one.is_own is is_own]
        text += "\n".join([f"{title}:", *lines, ""]) if lines else ""
    return text


def show_text(text: str) -> None:
    """Print what a terminal would act on spelled out; through a pager when it is longer."""
    lines = [terminal.clean(line) for line in text.splitlines()]
    size = shutil.get_terminal_size()
    pager = shlex.split(os.environ.get("PAGER") or _PAGER)
    fits = len(lines) < size.lines and all(len(line) <= size.columns for line in lines)
    if fits or not sys.stdout.isatty() or not pager or shutil.which(pager[0]) is None:
        sys.stdout.write("\n".join(lines) + "\n")
        sys.stdout.flush()
        return
    # Ctrl-C is the pager's own while it runs.
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        subprocess.run(  # noqa: S603 - the person's own pager
            pager,
            input=("\n".join(lines) + "\n").encode("utf-8", "replace"),
            check=False,
            env={**os.environ, "LESSHISTFILE": "-"},
        )
    finally:
        signal.signal(signal.SIGINT, before)
