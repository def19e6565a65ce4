"""Notes kept in a spreadsheet: a CSV with one row per workout and device.

Columns have a meaning by their names, in any order and spelling of case, blanks and hyphens. What
concerns the whole workout may stand in any of its rows; rows that contradict each other are an
error. Every other column is a setup key of the row's device.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

from tasks.core.errors import NotesError
from tasks.readers.notes.page import Page, is_plausible, show

if TYPE_CHECKING:
    from config.lines import KeyPath

_DELIMITERS: Final = (",", ";", "\t")
_START, _DATE, _TIME, _DEVICE = "start", "date", "time", "device"
_WHEN: Final = (_START, _DATE, _TIME)
_OF_WORKOUT: Final = ("activity", "place", "course")
#: Columns of the truth, and what their cells are multiplied with to be in its unit.
_TRUTH: Final = {
    "distance_m": ("distance_m", 1.0),
    "distance_km": ("distance_m", 1000.0),
    "distance_mi": ("distance_m", 1609.344),
    "distance_tolerance_pct": ("distance_tolerance_pct", 1.0),
    "ascent_m": ("ascent_m", 1.0),
    "lengths": ("lengths", 1.0),
    "pool_length_m": ("pool_length_m", 1.0),
    "pool_length_yd": ("pool_length_yd", 1.0),
    "stroke_count": ("stroke_count", 1.0),
}
_TRUE_START: Final = "true_start"
_STROKES: Final = "strokes"
_NOTE: Final = "note"
#: Columns that set the row's device aside, or the whole workout where the row names none.
_EXCLUDE: Final = {
    "exclude": "because",
    "exclude_because": "because",
    "excluded_because": "because",
    "exclude_domain": "domain",
}
_LEVELS: Final = {
    "battery_start": "battery_start_pct",
    "battery_end": "battery_end_pct",
    "battery_start_pct": "battery_start_pct",
    "battery_end_pct": "battery_end_pct",
}
#: Names that say no unit, and what to write instead.
_WITHOUT_UNIT: Final = {
    "distance": "distance_m, distance_km or distance_mi",
    "ascent": "ascent_m",
    "pool_length": "pool_length_m or pool_length_yd",
    "pool": "pool_length_m or pool_length_yd",
}
_DAY: Final = re.compile(r"\d{4}-\d{2}-\d{2}")
_CLOCK: Final = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)(?::([0-5]\d))?")
_NUMBER: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)")


@dataclass
class _Row:
    """One row: its line, its cells by column that are not empty, and its beginning."""

    line: int
    cells: dict[str, str]
    start: datetime | date


@dataclass
class _Workout:
    """What the rows of one workout say so far, and where."""

    values: dict[str, Any]
    lines: dict[KeyPath, int] = field(default_factory=dict)


def list_workouts(
    text: str, *, name: str, zone: str | None, without: Collection[int] = ()
) -> Iterator[tuple[Page, dict[str, Any]]]:
    """Return the values of each workout of the CSV `text` as a TOML file would hold them.

    Rows of the lines `without` are left out.

    The page of each knows the line of every value. Workouts come in the order of their first row.
    Raises: NotesError with the line.
    """
    workouts: dict[datetime | date, _Workout] = {}
    for row in _list_rows(text, name=name, zone=zone, without=without):
        workout = workouts.setdefault(row.start, _Workout({"start": row.start}))
        workout.lines.setdefault(("start",), row.line)
        _add_row(workout, row, name=name)
    for start, workout in workouts.items():
        is_day = not isinstance(start, datetime)
        yield Page(name, workout.lines, (zone or "UTC") if is_day else None), workout.values


def _list_rows(
    text: str, *, name: str, zone: str | None, without: Collection[int]
) -> Iterator[_Row]:
    lines = text.splitlines()
    if not any(line.strip() for line in lines):
        raise NotesError(name, line=1, found="the file is empty", remedy="write a line of names")
    delimiter = max(_DELIMITERS, key=lines[0].count)
    reader = csv.reader(io.StringIO(text), delimiter=delimiter, strict=True)
    columns: list[str] = []
    while True:
        before = reader.line_num
        try:
            cells = next(reader, None)
        except csv.Error as error:
            raise NotesError(
                name, line=before + 1, found=f"this is no CSV ({error})", remedy="close the quotes"
            ) from error
        if cells is None:
            return
        if not any(cell.strip() for cell in cells) or (columns and before + 1 in without):
            continue
        if not columns:
            columns = _read_names(cells, name=name, line=before + 1)
            continue
        filled = _fill(columns, cells, name=name, line=before + 1)
        if delimiter != ",":
            # A spreadsheet that does not part cells by commas writes them in numbers.
            filled = {key: re.sub(r"(?<=\d),(?=\d)", ".", cell) for key, cell in filled.items()}
        yield _Row(before + 1, filled, _read_when(filled, name=name, line=before + 1, zone=zone))


def _read_names(cells: Sequence[str], *, name: str, line: int) -> list[str]:
    columns = [re.sub(r"[\s\-]+", "_", cell.strip().lower()) for cell in cells]
    while columns and not columns[-1]:
        columns.pop()
    for column in columns:
        if column in _WITHOUT_UNIT:
            raise NotesError(
                name,
                line=line,
                found=f"column {column!r} does not say its unit",
                remedy=f"call it {_WITHOUT_UNIT[column]}",
            )
    keys = [_LEVELS.get(column, column) for column in columns]
    for number, key in enumerate(keys):
        if not key:
            raise NotesError(
                name, line=line, found=f"column {number + 1} has no name", remedy="give it one"
            )
        if key in keys[:number]:
            raise NotesError(
                name, line=line, found=f"column {key!r} stands twice", remedy="remove one of them"
            )
    if _START not in keys and _DATE not in keys:
        raise NotesError(
            name,
            line=line,
            found="there is no column 'start' or 'date'",
            remedy="add start (2026-05-02T07:30:00+02:00), or date (2026-05-02) and time (07:30)",
        )
    return keys


def _fill(columns: Sequence[str], cells: Sequence[str], *, name: str, line: int) -> dict[str, str]:
    extra = [cell for cell in cells[len(columns) :] if cell.strip()]
    if extra:
        raise NotesError(
            name,
            line=line,
            found=f"{show(extra[0].strip())} stands in a column without a name",
            remedy="name the column, or put cells that hold the delimiter in quotes",
        )
    pairs = zip(columns, cells, strict=False)
    return {column: cell.strip() for column, cell in pairs if cell.strip()}


def _read_when(cells: dict[str, str], *, name: str, line: int, zone: str | None) -> datetime | date:
    """Return the start of a row: an instant, or a day where no time is given."""
    start, day, clock = (cells.get(key) for key in _WHEN)
    if start is None and day is None:
        raise NotesError(
            name, line=line, found="the row has no date", remedy="fill in start, or date and time"
        )
    if start is not None and (day is not None or clock is not None):
        raise NotesError(
            name,
            line=line,
            found="the row has a start and a date or time beside it",
            remedy="fill in start alone, or date and time",
        )
    if start is None:
        start = f"{day} {_write_clock(clock, name=name, line=line)}" if clock else str(day)
    complaint = _complain_of_time(start, name=name, line=line)
    is_day = _DAY.fullmatch(start) is not None
    try:
        when = date.fromisoformat(start) if is_day else datetime.fromisoformat(start)
    except ValueError as error:
        raise complaint from error
    if not is_plausible(when):
        raise complaint
    return when if is_day else _set_zone(start, name=name, line=line, zone=zone)


def _set_zone(start: str, *, name: str, line: int, zone: str | None) -> datetime:
    """Return the instant that is written, in the zone of the settings where it names no offset."""
    instant = datetime.fromisoformat(start)
    if instant.tzinfo is not None:
        return instant
    if zone is None:
        raise NotesError(
            name,
            line=line,
            found=f"{show(start)} has no offset from UTC",
            remedy="write 2026-05-02T07:30:00+02:00, or set time.zone in coworn.toml",
        )
    return instant.replace(tzinfo=ZoneInfo(zone))


def _write_clock(clock: str, *, name: str, line: int) -> str:
    match = _CLOCK.fullmatch(clock)
    if match is None:
        raise NotesError(
            name, line=line, found=f"time {show(clock)} is no time of day", remedy="write 07:30"
        )
    hours, minutes, seconds = match.groups()
    return f"{int(hours):02d}:{minutes}:{seconds or '00'}"


def _complain_of_time(start: str, *, name: str, line: int) -> NotesError:
    return NotesError(
        name,
        line=line,
        found=f"{show(start)} is no date",
        remedy="write the year first, 2026-05-02 or 2026-05-02T07:30:00+02:00",
    )


def _add_row(workout: _Workout, row: _Row, *, name: str) -> None:
    device = row.cells.get(_DEVICE)
    setup: dict[str, Any] = {}
    of_workout = _OF_WORKOUT if device is not None else (*_OF_WORKOUT, _NOTE)
    for column, cell in row.cells.items():
        if column in _WHEN or column == _DEVICE or column in _EXCLUDE:
            continue
        if column in of_workout:
            _say(workout, (column,), cell, line=row.line, name=name)
        elif column in _TRUTH:
            key, factor = _TRUTH[column]
            number = _read_number(cell)
            said = cell if number is None else _scale(number, factor)
            _say(workout, ("truth", key), said, line=row.line, name=name)
        elif column == _TRUE_START:
            _say(workout, ("truth", "start_utc"), cell, line=row.line, name=name)
        elif column == _STROKES:
            words = [word.strip() for word in re.split(r"[;,|]", cell) if word.strip()]
            strokes = words[0] if len(words) == 1 else words
            _say(workout, ("truth", _STROKES), strokes, line=row.line, name=name)
        else:
            setup[column] = _read_setup_cell(column, cell)
    _add_exclusion(workout, row)
    if device is None:
        if setup:
            raise NotesError(
                name,
                line=row.line,
                found=f"{next(iter(setup))!r} is filled in, but the row names no device",
                remedy="fill in device with its id from devices.toml",
            )
        return
    setups = workout.values.setdefault("setup", {})
    if device in setups:
        first = workout.lines["setup", device]
        raise NotesError(
            name,
            line=row.line,
            found=f"device {device!r} stands twice for one workout, first in line {first}",
            remedy="remove one row, or correct its start",
        )
    setups[device] = setup
    workout.lines["setup", device] = row.line


def _add_exclusion(workout: _Workout, row: _Row) -> None:
    """Set the row's device aside, or the whole workout, where its cells say so."""
    said = {_EXCLUDE[column]: cell for column, cell in row.cells.items() if column in _EXCLUDE}
    if not said:
        return
    entries = workout.values.setdefault("exclude", [])
    workout.lines["exclude", len(entries)] = row.line
    device = row.cells.get(_DEVICE)
    entries.append(said if device is None else {**said, "device": device})


def _say(workout: _Workout, path: tuple[str, ...], value: object, *, line: int, name: str) -> None:
    """Put a value of the whole workout in its place; a second one must be the same."""
    table = workout.values
    for key in path[:-1]:
        table = table.setdefault(key, {})
    if path in workout.lines and table[path[-1]] != value:
        raise NotesError(
            name,
            line=line,
            found=f"{path[-1]} = {show(value)}, but line {workout.lines[path]} of the same workout "
            f"says {show(table[path[-1]])}",
            remedy="correct one of them",
        )
    if path not in workout.lines:
        workout.lines[path] = line
    table[path[-1]] = value


def _read_setup_cell(column: str, cell: str) -> str | float:
    """Return a setup value as it is written; levels are numbers, with or without a percent sign."""
    if column not in _LEVELS.values():
        return cell
    number = _read_number(cell.removesuffix("%").strip())
    return cell if number is None else number


def _read_number(cell: str) -> float | None:
    return float(cell) if _NUMBER.fullmatch(cell) else None


def _scale(number: float, factor: float) -> float:
    """Multiply without the traces of binary fractions: 8.05 km are 8050 m."""
    return round(number * factor, 6)
