"""Decodes a FIT part by columns: all messages of one definition at once, with numpy.

Gives what the general decoders give, value for value; a test compares it with them. Developer
fields of records are decoded too; compressed times and packed speeds are left to them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.readers.fit.fields import (
    CHANNELS,
    FIELD_DESCRIPTION,
    HRV,
    RECORD,
    TIMESTAMP,
    name_values,
)
from tasks.readers.fit.gather import (
    CADENCE,
    CADENCE_STEPS,
    COMPRESSED_SPEED_DISTANCE,
    FRACTIONAL_CADENCE,
    LONGEST_INTERVAL_MS,
    SOURCES,
    DeveloperField,
    Floats,
    Gathered,
    Integers,
    Named,
    Records,
    StrapIntervals,
    describe_developer_field,
)
from tasks.readers.fit.layouts import DeclinedError, Layout, Slot, find_layouts, list_messages

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Name of this decoder among the readers of recordings; raise it when values can change.
READER: Final = "FIT columns 1"
_LONGEST_TIME_BYTES: Final = 4

_Described = Mapping[tuple[int | None, int], DeveloperField]
_BatteryRow = tuple[int, str, float]


def gather_columns(data: bytes) -> Gathered:
    """Return everything that one FIT part says and the job needs.

    Checksums are not looked at. Where the bytes end early, what came before is returned.
    *Raises* DeclinedError for a part that only a general decoder reads, or none at all.
    """
    by_number: defaultdict[int, list[Layout]] = defaultdict(list)
    for layout in find_layouts(data):
        by_number[layout.number].append(layout)
    described = _describe_developer_fields(
        _list_in_order(by_number.pop(FIELD_DESCRIPTION, ()), data)
    )
    blocks = [_read_records(each, data, described) for each in by_number.pop(RECORD, ())]
    stacked = _stack_records(blocks)
    intervals = _read_intervals(by_number.pop(HRV, ()), data, records=stacked)
    messages: defaultdict[int, list[Named]] = defaultdict(list)
    for number, layouts in by_number.items():
        messages[number] = list(_list_in_order(layouts, data))
    return Gathered(
        messages=messages,
        records=Records(stacked.seconds, stacked.columns),
        intervals=intervals,
        developer_battery=_stack_battery(blocks),
        used_developer_fields={name for block in blocks for name in block.used},
        n_without_time=sum(block.n_without_time for block in blocks),
    )


def _list_in_order(layouts: Iterable[Layout], data: bytes) -> list[Named]:
    """Return the messages of `layouts` as named values, in file order."""
    placed = [
        (offset, dict(name_values(message)))
        for layout in layouts
        for offset, message in zip(layout.offsets, list_messages(layout, data), strict=True)
    ]
    return [named for _, named in sorted(placed, key=lambda one: one[0])]


def _describe_developer_fields(messages: Iterable[Named]) -> _Described:
    described: dict[tuple[int | None, int], DeveloperField] = {}
    first: dict[tuple[Any, Any], Named] = {}
    for message in messages:
        key = (message.get("developer_data_index"), message.get("field_definition_number"))
        if first.setdefault(key, message) != message:
            raise DeclinedError("a developer field that changes its meaning")
        found = describe_developer_field(message)
        if found is not None:
            described[found[0]] = found[1]
    return described


# --- records ------------------------------------------------------------------------------------
@dataclass(frozen=True)
class _Block:
    """Timed records of one layout or of all, shape (n_records,); each begins at its offset."""

    offsets: Integers
    seconds: Integers
    columns: Mapping[str, Floats]
    battery: Sequence[tuple[int, _BatteryRow]] = ()
    used: frozenset[str] = frozenset()
    n_without_time: int = 0


def _read_records(layout: Layout, data: bytes, described: _Described) -> _Block:
    offsets = np.array(layout.offsets, dtype=np.int64)
    slots = {slot.number: (slot, f"f{place}") for place, slot in enumerate(layout.own)}
    time, name = slots.get(TIMESTAMP, (None, ""))
    if time is None:
        return _Block(offsets[:0], offsets[:0], _make_empty(), n_without_time=len(offsets))
    if not time.base.is_integer or time.base.size > _LONGEST_TIME_BYTES:
        raise DeclinedError(f"a time as {time.base.name}")
    rows = layout.open_rows(data)
    packed, packed_name = slots.get(COMPRESSED_SPEED_DISTANCE, (None, ""))
    if packed is not None and (rows[packed_name] != packed.base.invalid).any():
        raise DeclinedError("speed and distance packed into three bytes")
    has_time = rows[name] != time.base.invalid
    rows, timed = rows[has_time], offsets[has_time]
    seconds = rows[name].astype(np.int64)
    columns = _read_channels(
        {key: (slot, rows[place]) for key, (slot, place) in slots.items()}, len(rows)
    )
    battery: list[tuple[int, _BatteryRow]] = []
    used: set[str] = set()
    for place, slot in enumerate(layout.developer, start=len(layout.own)):
        known = described.get((slot.developer, slot.number))
        if known is None:
            continue
        values = _read_numbers(slot, rows[f"f{place}"]) * known.factor - known.offset
        if known.column.startswith("battery"):
            battery += _list_battery(known.column, timed, seconds, values)
        elif _fill(columns[known.column], values):
            used.add(known.name)
    return _Block(timed, seconds, columns, battery, frozenset(used), int((~has_time).sum()))


def _make_empty() -> dict[str, Floats]:
    return {channel.column: np.empty(0) for channel in CHANNELS}


def _read_numbers(slot: Slot, raw: NDArray[Any]) -> Floats:
    """Return the values of a field of single numbers as floats, NaN where invalid."""
    numbers: Floats = raw.astype(np.float64)
    if slot.base.invalid is not None:
        numbers[raw == slot.base.invalid] = np.nan
    return numbers


def _read_channels(
    found: Mapping[int, tuple[Slot, NDArray[Any]]], n_records: int
) -> dict[str, Floats]:
    columns: dict[str, Floats] = {}
    for column, sources in SOURCES:
        values = np.full(n_records, np.nan)
        for number, scale, offset in sources:
            if number in found:
                _fill(values, _read_numbers(*found[number]) / scale - offset)
        columns[column] = values
    if (
        CADENCE in found
        and FRACTIONAL_CADENCE in found
        and found[FRACTIONAL_CADENCE][0].base.is_integer
    ):
        fraction = _read_numbers(*found[FRACTIONAL_CADENCE])
        whole = _read_numbers(*found[CADENCE]) + fraction / CADENCE_STEPS
        columns["cadence_rpm"] = np.where(np.isnan(whole), columns["cadence_rpm"], whole)
    return columns


def _fill(values: Floats, others: Floats) -> bool:
    """Fill missing ones of `values` from `others`; return whether any was."""
    is_filled = np.isnan(values) & ~np.isnan(others)
    values[is_filled] = others[is_filled]
    return bool(is_filled.any())


def _list_battery(
    column: str, offsets: Integers, seconds: Integers, values: Floats
) -> Iterator[tuple[int, _BatteryRow]]:
    known = ~np.isnan(values)
    for offset, second, value in zip(
        offsets[known].tolist(), seconds[known].tolist(), values[known].tolist(), strict=True
    ):
        yield offset, (second, column, value)


def _stack_battery(blocks: Iterable[_Block]) -> list[_BatteryRow]:
    placed = [one for block in blocks for one in block.battery]
    return [row for _, row in sorted(placed, key=lambda one: one[0])]


def _stack_records(blocks: Sequence[_Block]) -> _Block:
    """Return the records of all layouts in file order."""
    if len(blocks) == 1:
        return blocks[0]
    none = np.empty(0, dtype=np.int64)
    offsets = np.concatenate([none, *(block.offsets for block in blocks)])
    order = np.argsort(offsets, kind="stable")
    return _Block(
        offsets[order],
        np.concatenate([none, *(block.seconds for block in blocks)])[order],
        {
            name: np.concatenate([empty, *(block.columns[name] for block in blocks)])[order]
            for name, empty in _make_empty().items()
        },
    )


# --- beat intervals -----------------------------------------------------------------------------
def _read_intervals(layouts: Iterable[Layout], data: bytes, *, records: _Block) -> StrapIntervals:
    """Return the intervals of all hrv messages in file order."""
    none = np.empty(0, dtype=np.int64)
    offsets, counts, beats, beat_offsets = [none], [none], [np.empty(0)], [none]
    n_dropped = 0
    for layout in layouts:
        own = np.array(layout.offsets, dtype=np.int64)
        milliseconds = _read_interval_table(layout, data)
        is_good = (milliseconds > 0) & (milliseconds < LONGEST_INTERVAL_MS)
        n_dropped += int((~is_good & ~np.isnan(milliseconds)).sum())
        offsets.append(own)
        counts.append(is_good.sum(axis=1, dtype=np.int64))
        beats.append(milliseconds[is_good] / 1000.0)
        beat_offsets.append(np.repeat(own, counts[-1]))
    order = np.argsort(np.concatenate(offsets), kind="stable")
    at = np.concatenate(offsets)[order]
    last = np.searchsorted(records.offsets, at) - 1
    before = np.append(-1, at)[:-1]
    is_fresh = (last >= 0) & (np.append(records.offsets, -1)[last] > before)
    return StrapIntervals(
        rr_s=np.concatenate(beats)[np.argsort(np.concatenate(beat_offsets), kind="stable")],
        ends=np.cumsum(np.concatenate(counts)[order]),
        record_seconds=np.where(is_fresh, np.append(records.seconds, -1)[last], -1),
        n_dropped=n_dropped,
    )


def _read_interval_table(layout: Layout, data: bytes) -> Floats:
    """Return the intervals [ms] of the messages of one layout, shape (n_messages, n_places)."""
    if not layout.own:
        return np.empty((len(layout.offsets), 0))
    (slot,) = layout.own
    return _read_numbers(slot, layout.open_rows(data)["f0"])
