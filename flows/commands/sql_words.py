"""What the words of a query can be: completed at the prompt, and guessed where one is unknown."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence

    import duckdb

_WORD: Final = re.compile(r"[A-Za-z_][A-Za-z0-9_]*$")
_IN_TEXT: Final = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
#: A name of a saved query that is being written.
_SAVED_WORD: Final = re.compile(r"[\w.-]*$")
#: After these a table comes.
_BEFORE_TABLES: Final = re.compile(r"(?i)\b(from|join|describe|summarize)\s+[a-z0-9_]*$")
#: What DuckDB says of a name that it does not know.
_UNKNOWN: Final = re.compile(
    r"(?P<kind>Table|Function) with name \"?(?P<table>[^\s\"]+)\"? does not exist"
    r"|[Cc]olumn \"(?P<column>[^\"]+)\" not found"
    r"|does not have a column named \"(?P<of_table>[^\"]+)\""
)
_NEAR: Final = 0.6
#: End of a statement, and what may hold a semicolon that ends none.
_TOKENS: Final = re.compile(
    r"'(?:[^']|'')*(?:'|$)|\"[^\"]*(?:\"|$)|\$\$.*?(?:\$\$|$)|--[^\n]*|/\*.*?(?:\*/|$)|;|[^\s;]",
    re.DOTALL,
)


@dataclass(frozen=True)
class Words:
    """Everything that can be named: tables and views with their columns, keywords, saved queries.

    `modes` and `commands` are those of the prompt.
    """

    columns: Mapping[str, Sequence[str]] = field(default_factory=dict)
    keywords: Sequence[str] = ()
    saved: Sequence[str] = ()
    modes: Sequence[str] = ()
    commands: Sequence[str] = ()

    @property
    def every_column(self) -> list[str]:
        """The names of all columns, each once."""
        return sorted({name for names in self.columns.values() for name in names})

    def complete(self, before: str) -> tuple[str, list[str]]:
        """Return the word that `before` ends with, and what it may become, the likeliest first."""
        if before.startswith("."):
            return self._complete_command(before)
        found = _WORD.search(before)
        word = "" if found is None else found[0]
        if _BEFORE_TABLES.search(before):
            return word, _filter([*self.columns], word)
        first = before.strip()
        if first and _SAVED_WORD.fullmatch(first):
            named = _filter(self.saved, first)
            if named:
                return first, [*named, *_filter(self.keywords, first)]
        if not word:
            return word, []
        named_tables = {one.lower() for one in _IN_TEXT.findall(before)}
        near = [
            name
            for table, names in self.columns.items()
            if table.lower() in named_tables
            for name in names
        ]
        offered = [*near, *self.every_column, *self.columns, *self.keywords]
        return word, _filter(offered, word)

    def _complete_command(self, before: str) -> tuple[str, list[str]]:
        command, blank, rest = before.partition(" ")
        if not blank:
            return before, _filter(self.commands, before)
        offered = {
            ".columns": [*self.columns],
            ".saved": self.saved,
            ".mode": self.modes,
        }.get(command, [])
        return rest.lstrip(), _filter(offered, rest.lstrip())


def read_words(
    connection: duckdb.DuckDBPyConnection,
    *,
    saved: Collection[str],
    modes: Sequence[str] = (),
    commands: Sequence[str] = (),
) -> Words:
    """Return the words of an open copy of the results."""
    columns: dict[str, list[str]] = {}
    for table, column in connection.execute(
        "SELECT table_name, column_name FROM duckdb_columns() WHERE NOT internal "
        "ORDER BY table_name, column_index"
    ).fetchall():
        names = columns.setdefault(table, [])
        if column not in names:
            names.append(column)
    keywords = connection.execute(
        "SELECT upper(keyword_name) FROM duckdb_keywords() ORDER BY 1"
    ).fetchall()
    return Words(columns, [word for (word,) in keywords], sorted(saved), modes, commands)


def suggest(message: str, query: str, words: Words) -> str | None:
    """Return what somebody may have meant whose `query` DuckDB answered with `message`."""
    found = _UNKNOWN.search(message)
    if found is not None and found["kind"] != "Function":
        wanted = found["table"] or found["column"] or found["of_table"]
        near = _find_near(wanted, [*words.columns] if found["table"] else words.every_column)
        return None if near is None else f"did you mean {near}?"
    lone = query.strip().rstrip(";").strip()
    if message.startswith("Parser Error") and _SAVED_WORD.fullmatch(lone):
        near = _find_near(lone, words.saved)
        return None if near is None else f"did you mean the saved query {near}?"
    return None


def is_whole(text: str) -> bool:
    """Say whether `text` ends with a semicolon that ends a statement."""
    last = ""
    for token in _TOKENS.findall(text):
        if not token.startswith(("--", "/*")):
            last = token
    return last == ";"


def _find_near(wanted: str, names: Iterable[str]) -> str | None:
    by_lower = {name.lower(): name for name in names}
    near = difflib.get_close_matches(wanted.lower(), by_lower, n=1, cutoff=_NEAR)
    return by_lower[near[0]] if near else None


def _filter(names: Iterable[str], word: str) -> list[str]:
    """Return the names that begin with `word`, each once; a keyword is written as `word` is."""
    low = word.lower()
    found = [name for name in names if name.lower().startswith(low)]
    if word.islower():
        found = [name.lower() if name.isupper() else name for name in found]
    return list(dict.fromkeys(found))
