"""Collects the messages of one FIT part: records as columns, the rest as named values."""

from __future__ import annotations

import re
from array import array
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from math import nan
from typing import TYPE_CHECKING, Any, Final

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
_FRACTIONAL_CADENCE, _CADENCE, _COMPRESSED = 53, 4, 8
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


@dataclass(frozen=True)
class DeveloperField:
    """A developer field that the job needs: `value` on file becomes `value * factor - offset`."""

    name: str
    column: str
    factor: float = 1.0
    offset: float = 0.0


@dataclass
class Records:
    """The record messages as columns of equal length; NaN where a record has no value.

    `seconds` counts from the FIT epoch.
    """

    seconds: array[int] = field(default_factory=lambda: array("q"))
    columns: dict[str, array[float]] = field(
        default_factory=lambda: {channel.column: array("d") for channel in CHANNELS}
    )


@dataclass
class StrapIntervals:
    """Beat intervals of hrv messages, shape (n_beats,), and where each message stands.

    `ends[i]` is how many intervals there are up to and with message i; `record_seconds[i]` the
    time of the record before it, -1 where there was none since the last such message.
    """

    rr_s: array[float] = field(default_factory=lambda: array("d"))
    ends: array[int] = field(default_factory=lambda: array("q"))
    record_seconds: array[int] = field(default_factory=lambda: array("q"))
    n_dropped: int = 0


@dataclass
class Gathered:
    """Everything that one FIT part says and the job needs.

    `messages` holds named values by message number, in file order. `developer_battery` holds
    (seconds, column, value) of developer fields in records.
    """

    messages: dict[int, list[Named]] = field(default_factory=lambda: defaultdict(list))
    records: Records = field(default_factory=Records)
    intervals: StrapIntervals = field(default_factory=StrapIntervals)
    developer_battery: list[tuple[int, str, float]] = field(default_factory=list)
    used_developer_fields: set[str] = field(default_factory=set)
    n_without_time: int = 0
    _developer: dict[tuple[int, int], DeveloperField] = field(default_factory=dict)
    _fresh_record_s: int = -1
    _counted_distance: int = 0

    def take_all(self, messages: Iterable[Message]) -> None:
        """Take `messages` in file order."""
        for message in messages:
            if message.number == RECORD:
                self._take_record(message)
            elif message.number == HRV:
                self._take_intervals(message)
            elif message.number == FIELD_DESCRIPTION:
                self._take_description(message)
            else:
                self.messages[message.number].append(_name(message))

    def _take_record(self, message: Message) -> None:
        values = message.values
        seconds = values.get(TIMESTAMP)
        if not isinstance(seconds, int):
            self.n_without_time += 1
            return
        row = _read_channels(values)
        if _COMPRESSED in values:
            self._expand_speed_and_distance(values[_COMPRESSED], row)
        for key, raw in message.developer.items():
            described = self._developer.get(key)
            if described is not None and isinstance(raw, (int, float)):
                self._take_developer_value(described, raw, row, seconds=seconds)
        self.records.seconds.append(seconds)
        for column, store in self.records.columns.items():
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
            self.developer_battery.append((seconds, described.column, value))
        elif described.column not in row:
            row[described.column] = value
            self.used_developer_fields.add(described.name)

    def _take_intervals(self, message: Message) -> None:
        raw = message.values.get(0)
        there = [value for value in raw if value is not None] if isinstance(raw, tuple) else []
        good = [float(value) / 1000.0 for value in there if 0 < value < 65_000]  # noqa: PLR2004
        self.intervals.n_dropped += len(there) - len(good)
        self.intervals.rr_s.extend(good)
        self.intervals.ends.append(len(self.intervals.rr_s))
        self.intervals.record_seconds.append(self._fresh_record_s)
        self._fresh_record_s = -1

    def _take_description(self, message: Message) -> None:
        described = _describe_developer_field(name_values(message))
        if described is not None:
            key, developer_field = described
            self._developer[key] = developer_field


def count_on(counted: int, twelve_bits: int) -> int:
    """Continue a count of which only the lowest 12 bits are written."""
    ahead = (counted & ~_TWELVE_BITS) + twelve_bits
    return ahead if ahead >= counted else ahead + _TWELVE_BITS + 1


def _name(message: Message) -> Named:
    named: Named = dict(name_values(message))
    return named


def _read_channels(values: Mapping[int, Raw]) -> dict[str, float]:
    row: dict[str, float] = {}
    for column, sources in _SOURCES:
        for number, scale, offset in sources:
            raw = values.get(number)
            if raw is not None:
                row[column] = raw / scale - offset  # type: ignore[operator] # a number by its slot
                break
    fraction = values.get(_FRACTIONAL_CADENCE)
    if isinstance(fraction, int) and values.get(_CADENCE) is not None:
        row["cadence_rpm"] = float(values[_CADENCE]) + fraction / 128.0  # type: ignore[arg-type]
    return row


def _scale_of(column: str, scale: float) -> float:
    return 1.0 / DEG_PER_SEMICIRCLE if column.endswith("_deg") else scale


_SOURCES: Final = tuple(
    (
        channel.column,
        tuple(
            (source.number, _scale_of(channel.column, source.scale), source.offset)
            for source in channel.sources
        ),
    )
    for channel in CHANNELS
)


def _describe_developer_field(named: Named) -> tuple[tuple[int, int], DeveloperField] | None:
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
