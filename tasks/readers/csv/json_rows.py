"""JSON of times and values: laid out as the rows of a table, and read by the layouts of CSV.

Three forms are known, at any depth: a list of objects that each hold a time and values; lists side
by side, one for each quantity; a list of streams, each with its name and its data.
"""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

from tasks.core.errors import DamagedError, NothingRecordedError
from tasks.core.json_text import is_map, make_malformed_error
from tasks.core.registers import reader
from tasks.readers.csv.table import read_table

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from tasks.core.recording import ExportFile, Recording
    from tasks.core.registers import ReadOptions

Row = dict[str, str]

#: Keys of a time in each object, the most certain first. What services and loggers were seen to
#: write (common practice, no source).
_TIMES: Final = (
    "timestamp",
    "time",
    "datetime",
    "date time",
    "time utc",
    "start time",
    "start date",
    "start date time",
    "recorded at",
    "date",
    "ts",
    "t",
)
#: Keys of the instant from which a stream's seconds count.
_STARTS: Final = ("start time utc", "start time", "start date", "start date time", "start", "begin")
#: Keys of a value that has no name of its own: that of its list is taken.
_NAMELESS: Final = frozenset({"value", "values", "val", "v", "data"})
#: Keys under which a list says what it holds.
_NAMES: Final = ("type", "name", "key", "metric", "quantity", "data type")
#: Keys of pairs of latitude and longitude.
_PAIRS: Final = frozenset({"latlng", "lat lng", "latlon", "lat lon"})
#: Keys of degrees as whole numbers of 1e-7.
_SCALED: Final = {"latitude e7": "latitude", "longitude e7": "longitude"}
_E7: Final = 1e7
#: Key of the sensor that an object is of.
_SENSOR: Final = "sensor"
_CAMEL: Final = re.compile(r"(?<=[a-z0-9])(?=[A-Z])")
#: Numbers up to this are seconds since a start, not an epoch (common practice, no source).
_LONGEST_ELAPSED_S: Final = 14 * 86_400.0
_FEWEST: Final = 2


def sniff_json(head: bytes) -> bool:
    """Say whether `head` begins an object or a list of JSON that is no map."""
    text = head.lstrip(b"\xef\xbb\xbf \t\r\n")
    if re.match(rb"(?:\{\s*\"|\[\s*[\[{\"\d]|\{\s*\}|\[\s*\])", text) is None:
        return False
    return b"\x00" not in head and not is_map(head)


def _is_complete(path: Path) -> bool:
    return path.read_bytes().rstrip().endswith((b"}", b"]"))


@reader(
    "json",
    suffixes=(".json",),
    sniff=sniff_json,
    is_complete=_is_complete,
    source="RFC 8259; lists of times and values, read by the layouts of CSV",
)
def read_json(export: ExportFile, options: ReadOptions) -> tuple[Recording, ...]:
    """Read times and values out of JSON.

    Parameters
    ----------
    export
        The file, its name and its hash.
    options
        Layouts, and the zone of times that state none.

    Returns
    -------
    tuple[Recording, ...]
        As for a CSV with the same columns.

    Raises
    ------
    DamagedError
        It is no JSON.
    NothingRecordedError
        It holds no list of times and values.
    ExportRefusedError
        As for a CSV.
    """
    text = flatten_json(export.path.read_bytes(), name=export.name)
    (recording,) = read_table(text.encode(), export, options)
    header = replace(recording.header, format="json", reader=f"json, {recording.header.reader}")
    return (replace(recording, header=header),)


def flatten_json(raw: bytes, *, name: str) -> str:
    """Return the times and values of JSON as the text of a CSV, one column for each quantity.

    Raises: DamagedError, NothingRecordedError.
    """
    try:
        document = _parse(raw.decode("utf-8-sig"))
    except ValueError as error:
        raise make_malformed_error(name, error) from error
    except RecursionError:
        raise DamagedError(
            name, found="it is nested too deeply", remedy="export the activity by itself"
        ) from None
    rows: list[Row] = []
    for found in _find_lists(document, "", {}):
        rows += found
    if not rows:
        raise NothingRecordedError(
            name,
            found="it holds no list of times and values",
            remedy="export the samples of the activity, not its summary",
        )
    titles = list(dict.fromkeys(["time", *(title for row in rows for title in row)]))
    out = io.StringIO()
    writer = csv.DictWriter(out, titles, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def _parse(text: str) -> Any:  # noqa: ANN401 - JSON
    """Return the document, or the list of documents where each line is one."""
    first, _, rest = text.lstrip().partition("\n")
    if rest.strip() and first.rstrip().endswith("}") and rest.lstrip().startswith("{"):
        return [json.loads(line) for line in text.splitlines() if line.strip()]
    return json.loads(text)


def _find_lists(part: Any, name: str, around: Mapping[str, Any]) -> Iterator[list[Row]]:  # noqa: ANN401 - JSON
    """Yield the rows of every list of times and values below `part`, which is called `name`."""
    if isinstance(part, dict):
        plain = {_spell(key): value for key, value in part.items()}
        heading = next((plain[key] for key in _NAMES if isinstance(plain.get(key), str)), name)
        if columns := _read_columns(plain):
            yield columns
            return
        for key, value in plain.items():
            yield from _find_lists(value, heading if key in _NAMELESS else key, plain)
    elif isinstance(part, list):
        if streams := _read_streams(part):
            yield _read_columns({**around, **streams})
            return
        rows = [row for one in part if isinstance(one, dict) and (row := _read_row(one, name))]
        if rows:
            yield _join_sensors(rows)
            return
        for one in part:
            yield from _find_lists(one, name, around)


def _join_sensors(rows: list[Row]) -> list[Row]:
    """Leave the sensors' names out where each has quantities of its own, as those of one device.

    Two that give the same quantity are left named: they may be two devices.
    """
    given: dict[str, set[str]] = {}
    for row in rows:
        given.setdefault(row.get(_SENSOR, ""), set()).update(set(row) - {"time", _SENSOR})
    titles = [title for of_sensor in given.values() for title in of_sensor]
    if len(titles) > len(set(titles)):
        return rows
    return [{title: cell for title, cell in row.items() if title != _SENSOR} for row in rows]


def _read_row(one: Mapping[str, Any], name: str) -> Row:
    """Return the time and the values of an object; empty when it has no time, or none else."""
    leaves = dict(_flatten(one))
    key = next((key for key in _TIMES if key in leaves), None)
    if key is None:
        return {}
    row = {"time": leaves.pop(key)}
    for title, cell in leaves.items():
        row[_spell(name) if title in _NAMELESS and name else title] = cell
    return row if len(row) >= _FEWEST else {}


def _flatten(one: Mapping[str, Any], around: str = "") -> Iterator[tuple[str, str]]:
    """Yield the scalars of an object; those of objects inside it by their own keys.

    A value that has no name of its own has that of the object `around` it.
    """
    for key, value in one.items():
        title = _spell(key)
        if title in _NAMELESS and around:
            title = around
        if isinstance(value, dict):
            yield from _flatten(value, title)
        elif title in _PAIRS and isinstance(value, list) and len(value) == _FEWEST:
            yield "latitude", _write(value[0])
            yield "longitude", _write(value[1])
        elif title in _SCALED and isinstance(value, int):
            yield _SCALED[title], _write(value / _E7)
        elif isinstance(value, (str, int, float)) and not isinstance(value, bool):
            yield title, _write(value)


def _read_streams(part: Sequence[Any]) -> dict[str, list[Any]]:
    """Return streams by name, where `part` is a list of them."""
    streams: dict[str, list[Any]] = {}
    for one in part:
        if not isinstance(one, dict):
            return {}
        plain = {_spell(key): value for key, value in one.items()}
        name = next((plain[key] for key in _NAMES if isinstance(plain.get(key), str)), None)
        data = next((plain[key] for key in _NAMELESS if isinstance(plain.get(key), list)), None)
        if name is None or data is None:
            return {}
        streams[_spell(name)] = data
    return streams if len(streams) >= _FEWEST else {}


def _read_columns(plain: Mapping[str, Any]) -> list[Row]:
    """Return the rows of lists of one length that lie side by side, one of them the times."""
    key = next((key for key in _TIMES if _is_scalars(plain.get(key))), None)
    if key is None:
        return []
    times = plain[key]
    length = len(times)
    columns: dict[str, list[str]] = {"time": _place(times, plain)}
    for title, values in plain.items():
        if title == key or not isinstance(values, list) or len(values) != length:
            continue
        if title in _PAIRS:
            pairs = [one if isinstance(one, list) and len(one) > 1 else ("", "") for one in values]
            columns["latitude"] = [_write(pair[0]) for pair in pairs]
            columns["longitude"] = [_write(pair[1]) for pair in pairs]
        elif _is_scalars(values):
            columns[title] = [_write(value) for value in values]
    if len(columns) < _FEWEST:
        return []
    return [dict(zip(columns, cells, strict=True)) for cells in zip(*columns.values(), strict=True)]


def _place(times: Sequence[Any], around: Mapping[str, Any]) -> list[str]:
    """Return times as text; seconds since a start that stands beside them become instants."""
    start = next((around[key] for key in _STARTS if isinstance(around.get(key), str)), None)
    numbers = [one for one in times if isinstance(one, (int, float))]
    if start is None or len(numbers) != len(times) or max(numbers) > _LONGEST_ELAPSED_S:
        return [_write(one) for one in times]
    try:
        begun = datetime.fromisoformat(start)
        return [(begun + timedelta(seconds=float(one))).isoformat() for one in numbers]
    except (ValueError, OverflowError):
        return [_write(one) for one in times]


def _is_scalars(values: object) -> bool:
    return (
        isinstance(values, list)
        and len(values) >= _FEWEST
        and all(one is None or isinstance(one, (str, int, float)) for one in values)
    )


def _spell(key: object) -> str:
    """Return a key as a title has it: `heartRate` and `heart_rate` are "heart rate"."""
    return _CAMEL.sub(" ", str(key)).replace("_", " ").strip().lower()


def _write(value: object) -> str:
    """Return a scalar as a cell."""
    return "" if value is None or isinstance(value, bool) else str(value).strip()
