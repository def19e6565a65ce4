"""Where in a TOML text each key and value stands, so that an error can name its line."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, field
from typing import Any, Final

#: Keys and, inside arrays, positions that lead to a value.
KeyPath = tuple[str | int, ...]

#: No settings, devices or notes come near these; beyond them, time and memory grow without bound.
MAX_TEXT_BYTES: Final = 256 * 1024
MAX_KEY_PARTS: Final = 200

_TOKEN: Final = re.compile(
    r'''(?P<part>"""(?:\\.|[^\\])*?"""|"(?:\\.|[^"\\\n])*"|'[^'\n]*'|[\w-]+)'''
    r"|(?P<dot>\.)|(?P<blank>[ \t]+)|#[^\n]*|.",
    re.DOTALL,
)
_PLACE: Final = re.compile(r"\s*\(at line (\d+), column \d+\)$")
_LONG_NUMBER: Final = re.compile(r"[0-9a-fA-F_]{4000}")
_AT_END: Final = re.compile(r"\s*\(at end of document\)$")


class TomlSyntaxError(ValueError):
    """A text is no TOML; `line` is 1-based."""

    def __init__(self, message: str, *, line: int) -> None:
        self.line = line
        super().__init__(message)


def parse_toml(text: str) -> dict[str, Any]:
    """Return the values of a TOML `text`.

    Raises: TomlSyntaxError with the line.
    """
    if len(text) > MAX_TEXT_BYTES:
        raise TomlSyntaxError(f"it is larger than {MAX_TEXT_BYTES // 1024} kB", line=1)
    if (line := _find_long_key(text)) is not None:
        raise TomlSyntaxError(f"a key of more than {MAX_KEY_PARTS} parts", line=line)
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        raise TomlSyntaxError("too many brackets inside each other", line=1) from error
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        place = _PLACE.search(message)
        line = int(place[1]) if place else max(1, len(text.rstrip().splitlines()))
        message = _AT_END.sub(" at the end", _PLACE.sub("", message))
        raise TomlSyntaxError(message[:1].lower() + message[1:], line=line) from error
    except ValueError as error:
        # Python reads no number of so many digits, and does not say where it stands.
        found = _LONG_NUMBER.search(text)
        line = 1 if found is None else text.count("\n", 0, found.start()) + 1
        raise TomlSyntaxError("a number of thousands of digits", line=line) from error


def _find_long_key(text: str) -> int | None:
    """Return the line of a dotted key that is longer than any honest one, None without any."""
    n_parts = 0
    after_dot = False
    for token in _TOKEN.finditer(text):
        if token.lastgroup == "blank":
            continue
        if token.lastgroup == "part":
            n_parts = n_parts + 1 if after_dot else 1
        elif token.lastgroup is None:
            n_parts = 0
        after_dot = token.lastgroup == "dot"
        if n_parts > MAX_KEY_PARTS:
            return text.count("\n", 0, token.start()) + 1
    return None


def map_lines(text: str) -> dict[KeyPath, int]:
    """Return the 1-based line of every table, key and array element of a valid TOML `text`.

    A table that is only implied by a longer header or a dotted key has the line of that one.
    """
    scan = _Scan(text.replace("\r\n", "\n"))
    scan.read_document()
    return scan.lines


def find_line(lines: dict[KeyPath, int], path: KeyPath) -> int | None:
    """Return the line of `path`, else of the nearest thing around it; None outside everything."""
    while path:
        if path in lines:
            return lines[path]
        path = path[:-1]
    return None


@dataclass
class _Scan:
    """Walks over a valid TOML text once; only lines are kept, values are tomllib's matter."""

    text: str
    position: int = 0
    lines: dict[KeyPath, int] = field(default_factory=dict)
    counts: dict[KeyPath, int] = field(default_factory=dict)

    def read_document(self) -> None:
        prefix: KeyPath = ()
        while self._skip_blank():
            if self._at("[["):
                self.position += 2
                prefix = self._open_array_table(self._read_key())
                self.position += 2
            elif self._at("["):
                self.position += 1
                prefix = self._resolve(self._read_key())
                self._note(prefix)
                self.position += 1
            else:
                self._read_pair(prefix)

    def _open_array_table(self, key: KeyPath) -> KeyPath:
        path = (*self._resolve(key[:-1]), key[-1])
        number = self.counts.get(path, 0)
        self.counts[path] = number + 1
        self._note(path)
        self._note((*path, number))
        return (*path, number)

    def _resolve(self, key: KeyPath) -> KeyPath:
        """Insert the number of the open table behind each name of an array of tables."""
        path: KeyPath = ()
        for part in key:
            path = (*path, part)
            if path in self.counts:
                path = (*path, self.counts[path] - 1)
        return path

    def _read_pair(self, prefix: KeyPath) -> None:
        path = (*prefix, *self._read_key())
        self._note(path)
        self._skip_blank()
        self.position += 1  # the equals sign
        self._skip_blank()
        self._read_value(path)

    def _read_key(self) -> KeyPath:
        parts: list[str | int] = []
        while True:
            self._skip_blank()
            if self._at('"') or self._at("'"):
                begin = self.position
                self._skip_string()
                parts.append(next(iter(tomllib.loads(f"{self.text[begin : self.position]}=0"))))
            else:
                begin = self.position
                while self.text[self.position] not in ".=] \t":
                    self.position += 1
                parts.append(self.text[begin : self.position])
            self._skip_blank()
            if not self._at("."):
                return tuple(parts)
            self.position += 1

    def _read_value(self, path: KeyPath) -> None:
        if self._at('"') or self._at("'"):
            self._skip_string()
        elif self._at("["):
            self._read_array(path)
        elif self._at("{"):
            self._read_inline_table(path)
        else:
            while self.position < len(self.text) and self.text[self.position] not in ",]}#\n":
                self.position += 1

    def _read_array(self, path: KeyPath) -> None:
        self.position += 1
        number = 0
        while self._skip_blank() and not self._at("]"):
            self._note((*path, number))
            self._read_value((*path, number))
            number += 1
            self._skip_blank()
            if self._at(","):
                self.position += 1
        self.position += 1

    def _read_inline_table(self, path: KeyPath) -> None:
        self.position += 1
        while self._skip_blank() and not self._at("}"):
            self._read_pair(path)
            self._skip_blank()
            if self._at(","):
                self.position += 1
        self.position += 1

    def _skip_string(self) -> None:
        quote = self.text[self.position]
        if self._at(quote * 3):
            self.position += 3
            while not self._at(quote * 3):
                self.position += 2 if quote == '"' and self._at("\\") else 1
            self.position += 3
            while self._at(quote):  # up to two quotes may stand before the closing three
                self.position += 1
            return
        self.position += 1
        while not self._at(quote):
            self.position += 2 if quote == '"' and self._at("\\") else 1
        self.position += 1

    def _skip_blank(self) -> bool:
        """Move to the next sign that counts; say whether there is one."""
        while self.position < len(self.text):
            if self._at("#"):
                end = self.text.find("\n", self.position)
                self.position = len(self.text) if end < 0 else end
            elif self.text[self.position] in " \t\n":
                self.position += 1
            else:
                return True
        return False

    def _at(self, sign: str) -> bool:
        return self.text.startswith(sign, self.position)

    def _note(self, path: KeyPath) -> None:
        line = self.text.count("\n", 0, self.position) + 1
        for length in range(1, len(path) + 1):
            self.lines.setdefault(path[:length], line)
