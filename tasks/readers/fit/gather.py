"""Collects the messages of one FIT part: records as columns, the rest as named values."""

from __future__ import annotations

import re
from array import array
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from math import nan
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from tasks.core.units import DEG_PER_SEMICIRCLE
from tasks.readers.fit.fields import (
    CHANNELS,
    COLUMN_OF_NAME,
    COLUMN_OF_NATIVE,
    FIELD_DESCRIPTION,
    HRV,
    RECORD,
    TIMESTAMP,
    Message,
    Raw,
    name_values,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

_HEART_RATE, _DISTANCE, _SPEED = "heart_rate_bpm", "distance_m", "speed_mps"
CADENCE, FRACTIONAL_CADENCE, COMPRESSED_SPEED_DISTANCE = 4, 53, 8
#: Fractions of a revolution in one unit of fractional_cadence. Source: FIT profile, record, 53.
CADENCE_STEPS: Final = 128.0
#: Intervals so long or longer are no beat: the strap lost contact, or says so by the number.
LONGEST_INTERVAL_MS: Final = 65_000
#: compressed_speed_distance: 12 bits of speed [1/100 m/s], 12 bits of distance [1/16 m], the
#: latter counting on. Source: FIT profile, message record, field 8.
_TWELVE_BITS: Final = 0xFFF
#: Factors that bring a developer field's unit to the column's; a unit that is not here is taken
#: for the column's own.
_DEVELOPER_UNITS: Final = {
    "km": 1000.0,
    "mi": 1609.344,
    "mile": 1609.344,
    "miles": 1609.344,
    "km/h": 1.0 / 3.6,
    "kph": 1.0 / 3.6,
    "mv": 1e-3,
}
_VOLT_UNITS: Final = frozenset({"v", "volt", "volts", "mv"})

Named = dict[str, Any]
Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True)
class DeveloperField:
    """A developer field that the job needs: `value` on file becomes `value * factor - offset`."""

    name: str
    column: str
    factor: float = 1.0
    offset: float = 0.0


@dataclass(frozen=True)
class Records:
    """The record messages as columns, shape (n_records,); NaN where a record has no value.

    `seconds` counts from the FIT epoch.
    """

    seconds: Integers
    columns: Mapping[str, Floats]


@dataclass(frozen=True)
class StrapIntervals:
    """Beat intervals of hrv messages, shape (n_beats,), and where each message stands.

    `ends[i]` is how many intervals there are up to and with message i; `record_seconds[i]` the
    time of the record before it, -1 where there was none since the last such message.
    """

    rr_s: Floats
    ends: Integers
    record_seconds: Integers
    n_dropped: int = 0


@dataclass(frozen=True)
class Gathered:
    """Everything that one FIT part says and the job needs.

    `messages` holds named values by message number, in file order. `developer_battery` holds
    (seconds, column, value) of developer fields in records.
    """

    messages: Mapping[int, list[Named]]
    records: Records
    intervals: StrapIntervals
    developer_battery: list[tuple[int, str, float]]
    used_developer_fields: set[str]
    n_without_time: int


class MessageCollector:
    """Collects messages one by one, as a general decoder yields them."""

    def __init__(self) -> None:
        self._messages: dict[int, list[Named]] = defaultdict(list)
        self._seconds = array("q")
        self._columns = {channel.column: array("d") for channel in CHANNELS}
        self._rr_s = array("d")
        self._ends = array("q")
        self._record_seconds = array("q")
        self._n_dropped = 0
        self._battery: list[tuple[int, str, float]] = []
        self._used_developer_fields: set[str] = set()
        self._n_without_time = 0
        self._developer: dict[tuple[int, int], DeveloperField] = {}
        self._fresh_record_s = -1
        self._counted_distance = 0

    def finish(self) -> Gathered:
        """Return what was collected."""
        return Gathered(
            messages=self._messages,
            records=Records(
                np.array(self._seconds, dtype=np.int64),
                {name: np.array(values) for name, values in self._columns.items()},
            ),
            intervals=StrapIntervals(
                np.array(self._rr_s),
                np.array(self._ends, dtype=np.int64),
                np.array(self._record_seconds, dtype=np.int64),
                self._n_dropped,
            ),
            developer_battery=self._battery,
            used_developer_fields=self._used_developer_fields,
            n_without_time=self._n_without_time,
        )

    def take_all(self, messages: Iterable[Message]) -> None:
        """Take `messages` in file order; those before an error stay."""
        for message in messages:
            if message.number == RECORD:
                self._take_record(message)
            elif message.number == HRV:
                self._take_intervals(message)
            elif message.number == FIELD_DESCRIPTION:
                self._take_description(message)
            else:
                self._messages[message.number].append(dict(name_values(message)))

    def _take_record(self, message: Message) -> None:
        values = message.values
        seconds = values.get(TIMESTAMP)
        if not isinstance(seconds, int):
            self._n_without_time += 1
            return
        row = _read_channels(values)
        if COMPRESSED_SPEED_DISTANCE in values:
            self._expand_speed_and_distance(values[COMPRESSED_SPEED_DISTANCE], row)
        for key, raw in message.developer.items():
            described = self._developer.get(key)
            if described is not None and isinstance(raw, (int, float)):
                self._take_developer_value(described, raw, row, seconds=seconds)
        self._seconds.append(seconds)
        for column, store in self._columns.items():
            store.append(row.get(column, nan))
        self._fresh_record_s = seconds

    def _expand_speed_and_distance(self, raw: Raw, row: dict[str, float]) -> None:
        if not isinstance(raw, tuple) or len(raw) < 3:  # noqa: PLR2004 - three bytes hold both
            return
        packed = sum(int(byte or 0) << 8 * place for place, byte in enumerate(raw[:3]))
        self._counted_distance = count_on(self._counted_distance, packed >> 12 & _TWELVE_BITS)
        row.setdefault(_SPEED, (packed & _TWELVE_BITS) / 100.0)
        row.setdefault(_DISTANCE, self._counted_distance / 16.0)

    def _take_developer_value(
        self, described: DeveloperField, raw: float, row: dict[str, float], *, seconds: int
    ) -> None:
        value = raw * described.factor - described.offset
        if described.column.startswith("battery"):
            self._battery.append((seconds, described.column, value))
        elif described.column not in row:
            row[described.column] = value
            self._used_developer_fields.add(described.name)

    def _take_intervals(self, message: Message) -> None:
        raw = message.values.get(0)
        there = [value for value in raw if value is not None] if isinstance(raw, tuple) else []
        good = [float(value) / 1000.0 for value in there if 0 < value < LONGEST_INTERVAL_MS]
        self._n_dropped += len(there) - len(good)
        self._rr_s.extend(good)
        self._ends.append(len(self._rr_s))
        self._record_seconds.append(self._fresh_record_s)
        self._fresh_record_s = -1

    def _take_description(self, message: Message) -> None:
        described = describe_developer_field(name_values(message))
        if described is not None:
            key, developer_field = described
            self._developer[key] = developer_field


def count_on(counted: int, twelve_bits: int) -> int:
    """Continue a count of which only the lowest 12 bits are written."""
    ahead = (counted & ~_TWELVE_BITS) + twelve_bits
    return ahead if ahead >= counted else ahead + _TWELVE_BITS + 1


def _read_channels(values: Mapping[int, Raw]) -> dict[str, float]:
    row: dict[str, float] = {}
    for column, sources in SOURCES:
        for number, scale, offset in sources:
            raw = values.get(number)
            if raw is not None:
                row[column] = raw / scale - offset  # type: ignore[operator] # a number by its slot
                break
    fraction = values.get(FRACTIONAL_CADENCE)
    if isinstance(fraction, int) and values.get(CADENCE) is not None:
        row["cadence_rpm"] = float(values[CADENCE]) + fraction / CADENCE_STEPS  # type: ignore[arg-type]
    return row


def _scale_of(column: str, scale: float) -> float:
    return 1.0 / DEG_PER_SEMICIRCLE if column.endswith("_deg") else scale


SOURCES: Final = tuple(
    (
        channel.column,
        tuple(
            (source.number, _scale_of(channel.column, source.scale), source.offset)
            for source in channel.sources
        ),
    )
    for channel in CHANNELS
)


def describe_developer_field(named: Named) -> tuple[tuple[int, int], DeveloperField] | None:
    """Return what a field_description says, by its key; None for a field that is not needed."""
    name = str(named.get("field_name", ""))
    unit = str(named.get("units", "")).strip().lower()
    column = COLUMN_OF_NAME.get(re.sub(r"[\s_\-.]", "", name).lower())
    if column is None and named.get("native_mesg_num", RECORD) == RECORD:
        column = COLUMN_OF_NATIVE.get(named.get("native_field_num", -1))
    index, number = named.get("developer_data_index"), named.get("field_definition_number")
    if column is None or index is None or number is None:
        return None
    if column == "battery":
        column = "battery_v" if unit in _VOLT_UNITS else "battery_pct"
    scale = float(named.get("scale") or 1)
    factor = _DEVELOPER_UNITS.get(unit, 1.0)
    offset = float(named.get("offset") or 0) * factor
    return (int(index), int(number)), DeveloperField(name, column, factor / scale, offset)
