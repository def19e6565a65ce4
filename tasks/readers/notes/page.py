"""Takes single values out of notes, and complains about them with their line."""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import TYPE_CHECKING, Any, Final

from config.lines import KeyPath, find_line
from tasks.core.errors import NotesError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

#: Years that a slip of the keyboard leads out of.
_FIRST_YEAR: Final = 1990
_LAST_YEAR: Final = 2199
#: Longer values are cut in messages.
_SHOWN_AT_MOST: Final = 80


@dataclass(frozen=True)
class Page:
    """The file's name and the line of everything in it; takes values and complains about them.

    `day_zone` is the zone of a start that is only a date, None where it must be a date with time.
    """

    name: str
    lines: dict[KeyPath, int]
    day_zone: str | None = None

    def complain(self, path: KeyPath, found: str, *, remedy: str) -> NotesError:
        """Return the error about what stands at `path`."""
        return NotesError(
            self.name, line=find_line(self.lines, path) or 1, found=found, remedy=remedy
        )

    def check_keys(self, path: KeyPath, table: Mapping[str, Any], known: tuple[str, ...]) -> None:
        """Raise NotesError for the first key of `table` that is not `known`."""
        for key in table:
            if key not in known:
                raise self.complain(
                    (*path, key),
                    f"unknown key {spell(path, key)!r}",
                    remedy=suggest(key, known, "keys here are"),
                )

    def take_table(self, path: KeyPath, table: Mapping[str, Any], key: str) -> Mapping[str, Any]:
        """Return the table `key`, an empty one when it is not there."""
        value = table.get(key, {})
        if not isinstance(value, dict):
            raise self.complain(
                (*path, key),
                f"{spell(path, key)} = {show(value)} is no table",
                remedy=f"write [{spell(path, key)}] on a line of its own and its keys below",
            )
        return value

    def take_text(self, path: KeyPath, table: Mapping[str, Any], key: str) -> str | None:
        """Return a text that is not blank, without outer blanks; None when it is not there."""
        if key not in table:
            return None
        value = table[key]
        if not isinstance(value, str):
            raise self.complain(
                (*path, key),
                f"{spell(path, key)} = {show(value)} is no text",
                remedy=f'write it in quotes, {key} = "..."',
            )
        if not value.strip():
            raise self.complain(
                (*path, key),
                f"{spell(path, key)} is empty",
                remedy="fill it in or remove the line",
            )
        return value.strip()

    def take_word(
        self, path: KeyPath, table: Mapping[str, Any], key: str, known: tuple[str, ...]
    ) -> str | None:
        """Return one of the words `known`; None when the key is not there."""
        word = self.take_text(path, table, key)
        if word is not None and word not in known:
            raise self.complain(
                (*path, key),
                f"{spell(path, key)} = {show(word)} is unknown",
                remedy=suggest(word, known, "words are"),
            )
        return word

    def take_number(
        self,
        path: KeyPath,
        table: Mapping[str, Any],
        key: str,
        *,
        above: float = -math.inf,
        least: float = -math.inf,
        most: float = math.inf,
    ) -> float | None:
        """Return a finite number above `above` and from `least` to `most`; None when not there."""
        if key not in table:
            return None
        value = table[key]
        spelled = f"{spell(path, key)} = {show(value)}"
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise self.complain(
                (*path, key), f"{spelled} is no number", remedy=f"write a number, {key} = 1.0"
            )
        if not math.isfinite(value):
            raise self.complain(
                (*path, key), f"{spelled} is no finite number", remedy="remove what is not known"
            )
        if value <= above:
            raise self.complain(
                (*path, key), f"{spelled} is too small", remedy=f"it must be above {above:g}"
            )
        if not least <= value <= most:
            limits = f"at least {least:g}" if math.isinf(most) else f"from {least:g} to {most:g}"
            raise self.complain(
                (*path, key), f"{spelled} is out of range", remedy=f"it must be {limits}"
            )
        return float(value)

    def check_instant(self, path: KeyPath, value: object) -> datetime:
        """Return an aware instant; a TOML time or a text in the same form."""
        spelled = f"{spell(path[:-1], path[-1])} = {show(value)}"
        example = f"{path[-1]} = 2026-05-02T07:30:00+02:00"
        if isinstance(value, str):
            try:
                value = datetime.fromisoformat(value.strip())
            except ValueError as error:
                raise self.complain(
                    path, f"{spelled} is no date with time", remedy=f"write {example}"
                ) from error
        if not isinstance(value, datetime):
            raise self.complain(path, f"{spelled} is no date with time", remedy=f"write {example}")
        if not is_plausible(value):
            raise self.complain(
                path, f"{spelled} is in no year of a workout", remedy=f"write {example}"
            )
        if value.tzinfo is None:
            raise self.complain(
                path, f"{spelled} has no offset from UTC", remedy=f"add one, as in {example}"
            )
        return value


def is_plausible(day: date) -> bool:
    """Say whether a date or instant can be that of a workout; far from it nothing computes."""
    return _FIRST_YEAR <= day.year <= _LAST_YEAR


def spell(path: KeyPath, key: str | int) -> str:
    """Write a place as a person would: the number of a part counts from 1."""
    if path[:1] == ("segment",) and len(path) > 1:
        return f"segment {int(path[1]) + 1}: {key}"
    parts = [str(part) for part in (*path, key)]
    return ".".join(part if part.isprintable() else repr(part) for part in parts)


def show(value: object) -> str:
    """Write a value in one line, as it stands in TOML; a long one is cut."""
    text = _write(value)
    return text if len(text) <= _SHOWN_AT_MOST else f"{text[:_SHOWN_AT_MOST]}..."


def _write(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{value}"' if value.isprintable() else repr(value)
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, list):
        return f"[{', '.join(_write(part) for part in value)}]"
    return "{...}" if isinstance(value, dict) else str(value)


def suggest(word: str, known: Iterable[str], introduction: str) -> str:
    """Name the nearest known word, or all of them."""
    words = list(known)
    plain = word.strip().lower()
    for spelling in (plain, plain.replace("_", "-"), plain.replace(" ", "-")):
        near = difflib.get_close_matches(spelling, words, n=1, cutoff=0.6)
        if near:
            return f"did you mean {near[0]!r}?"
    return f"{introduction} {', '.join(words)}"
