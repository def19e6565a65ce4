"""Dates and times of day that stand in a CSV beside the time by which it is read.

Seconds since a start are placed by the file's name, by a signal or by notes. Where the file itself
says when it was recorded, that counts, or a person must say how it is written: such a file is never
laid into 1970.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, timezone
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from config.layouts import ELAPSED_FORMS
from tasks.readers.csv.cells import is_number
from tasks.readers.csv.sheet import read_head
from tasks.readers.csv.titles import fold_name

if TYPE_CHECKING:
    from tasks.readers.csv.fitting import Fit

_DATE: Final = re.compile(
    r"(?<![0-9.])(?:[0-9]{4}([-/.])[0-9]{1,2}\1[0-9]{1,2}|"
    r"[0-9]{1,2}([-/.])[0-9]{1,2}\2(?:[0-9]{4}|[0-9]{2})|[0-9]{8}T[0-9]{4,6})(?![0-9.])"
)
_ISO_DATE: Final = re.compile(r"(?<![0-9])([0-9]{4})([-/.])([0-9]{1,2})\2([0-9]{1,2})(?![0-9])")
_DOTTED_DATE: Final = re.compile(r"(?<![0-9.])([0-9]{1,2})\.([0-9]{1,2})\.([0-9]{4})(?![0-9])")
_CLOCK: Final = re.compile(
    r"(?<![0-9:])([0-9]{1,2}):([0-9]{2})(?::([0-9]{2})(?:[.,][0-9]+)?)?\s*([ap]\.?m\.?)?"
    r"\s*(Z|UTC|GMT|[+-][0-9]{2}:?[0-9]{2})?(?![0-9:])",
    re.IGNORECASE,
)
_TIME_OF_DAY: Final = re.compile(
    r"[0-9]{1,2}:[0-9]{2}(:[0-9]{2}([.,][0-9]+)?)?(\s*[ap]\.?m\.?)?", re.IGNORECASE
)
_HALF_OF_DAY: Final = re.compile(r"[0-9]\s*[ap]\.?m\.?$", re.IGNORECASE)
#: Titles of times of day.
_OF_DAY: Final = re.compile(r"\b(clock|day|local|wall|utc|gmt|date|timestamp|datetime)\b")
#: Lines above a table that speak of another time than its start.
_OTHER_TIMES: Final = re.compile(
    r"\b(export|exported|created|generated|printed|saved|downloaded|birth|born|modified|version|"
    r"firmware|until|end|ended|finish|finished)\b"
)
_STARTS: Final = re.compile(r"\b(start|started|begin|began|begun|date|time|recorded|when|on)\b")
#: Share of the first rows that must show a date or a time of day.
_MOST: Final = 0.8
#: What an unset clock cannot show and the longest epoch, in s, ms, us and ns.
_EPOCHS: Final = tuple((6.3e8 * scale, 4.1e9 * scale) for scale in (1.0, 1e3, 1e6, 1e9))
_NOON_H: Final = 12


@dataclass(frozen=True)
class BlockStart:
    """Date above the table with the time of day and its offset from UTC, None where not said."""

    day: date
    clock: time | None
    zone: timezone | None
    line: int


def is_relative(fit: Fit) -> bool:
    """Say whether the layout counts from a start that it does not know."""
    return fit.layout.time.form in ELAPSED_FORMS


def find_clock_column(fit: Fit) -> tuple[str, str] | None:
    """Return title and first cell of a column without use that shows dates or times of day."""
    if fit.header is None:
        return None
    used = {use.position for use in fit.uses} | {fit.time_position, fit.date_position}
    rows = [
        record.cells
        for record in read_head(fit.text, fit.delimiter)
        if record.first_line > fit.header.last_line
    ]
    for position, title in enumerate(fit.header.cells):
        cells = [row[position] for row in rows if position < len(row) and row[position]]
        if position not in used and cells and _shows_clock(fold_name(title), cells):
            return title, cells[0]
    return None


def find_block_start(fit: Fit) -> BlockStart | None:
    """Return the date above the table, None where there is none.

    Lines about the export, a birthday or the end do not count. Raises: ValueError, with the line,
    for a date that can be read in two ways, and for two dates that differ.
    """
    found: dict[date, int] = {}
    clocks: dict[tuple[time, timezone | None], int] = {}
    for number, line in enumerate(fit.preamble.split("\n"), start=1):
        folded = fold_name(line.strip('#;,\t "'))
        if _OTHER_TIMES.search(folded):
            continue
        match = _DATE.search(line)
        if match is None and not (_STARTS.search(folded) and _CLOCK.search(line)):
            continue
        rest = line
        if match is not None:
            found.setdefault(_read_date(match.group(), number), number)
            rest = line[: match.start()] + " " + line[match.end() :].lstrip("T")
        clock = _CLOCK.search(rest)
        if clock is not None:
            said = _read_clock(clock)
            if said is not None:
                clocks.setdefault(said, number)
    if not found:
        return None
    day, line_number = next(iter(found.items()))
    if len(found) > 1 or len(clocks) > 1:
        raise ValueError(f"line {line_number}: more than one date or time stands above the table")
    clock_of_day, zone = next(iter(clocks), (None, None))
    return BlockStart(day, clock_of_day, zone, line_number)


def _shows_clock(title: str, cells: list[str]) -> bool:
    dates = sum(_DATE.match(cell) is not None for cell in cells)
    if dates >= _MOST * len(cells):
        return True
    halves = sum(_HALF_OF_DAY.search(cell) is not None for cell in cells)
    clocks = sum(_TIME_OF_DAY.fullmatch(cell) is not None for cell in cells)
    if halves >= _MOST * len(cells) or (clocks >= _MOST * len(cells) and _OF_DAY.search(title)):
        return True
    if not all(is_number(cell) for cell in cells):
        return False
    numbers = [float(cell) for cell in cells]
    rises = all(one <= other for one, other in pairwise(numbers))
    return rises and any(low <= numbers[0] and numbers[-1] <= high for low, high in _EPOCHS)


def _read_date(text: str, line: int) -> date:
    for pattern, order in ((_ISO_DATE, (1, 3, 4)), (_DOTTED_DATE, (3, 2, 1))):
        match = pattern.match(text)
        if match is not None:
            try:
                return date(*(int(match[group]) for group in order))
            except ValueError:
                break
    if re.match(r"[0-9]{8}T", text):
        return datetime.strptime(text[:8], "%Y%m%d").date()  # noqa: DTZ007 - a day alone
    raise ValueError(f"line {line}: the date {text!r} above the table can be read in two ways")


def _read_clock(match: re.Match[str]) -> tuple[time, timezone | None] | None:
    hour, minute, second, half, offset = match.groups()
    hours = int(hour)
    if half:
        hours = hours % _NOON_H + (_NOON_H if half[0] in "pP" else 0)
    zone = None
    if offset:
        digits = re.sub(r"[^0-9]", "", offset).ljust(4, "0")
        ahead = timedelta(hours=int(digits[:2]), minutes=int(digits[2:]))
        zone = timezone(-ahead if offset.startswith("-") else ahead)
    try:
        return time(hours, int(minute), int(second or 0)), zone
    except ValueError:
        return None
