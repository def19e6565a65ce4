"""Finds the messages of a FIT part by one pass over their header bytes; no value is decoded.

Messages of one definition lie alike, so noting where each begins is enough to read them all at
once. What is not in the plain form of the protocol is declined: a general decoder reads that part.
Source: FIT protocol, "Record format" (record header, definition message, developer fields).
"""

from __future__ import annotations

import struct
from array import array
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from tasks.readers.fit.base_types import BASE_TYPES, BaseType, choose_kind
from tasks.readers.fit.fields import (
    DEVELOPER_DATA_ID,
    FIELD_DESCRIPTION,
    RECORD,
    WANTED,
    Kind,
    Message,
    Raw,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

_DEFINITION, _DEVELOPER, _COMPRESSED = 0x40, 0x20, 0x80
_LOCAL: Final = 0x0F
#: Header byte, reserved byte, byte order, number of the message, number of fields.
_DEFINITION_HEAD: Final = 6
_FIELD_BYTES: Final = 3
_SHORTEST_HEADER, _HEADER_WITH_CRC = 12, 14


class DeclinedError(ValueError):
    """The part holds a form that is left to a general decoder."""


@dataclass(frozen=True)
class Slot:
    """Where a wanted field lies behind the first byte of its message.

    `developer` is the developer data index of a developer field.
    """

    number: int
    start: int
    count: int
    kind: Kind
    base: BaseType
    developer: int | None = None


@dataclass(frozen=True)
class Layout:
    """All messages of one definition: what is wanted of them, and where each begins.

    `stride` is the length of a message with its header byte; `offsets` are bytes into the part.
    """

    number: int
    stride: int
    byte_order: str
    own: tuple[Slot, ...]
    developer: tuple[Slot, ...]
    offsets: array[int] = field(default_factory=lambda: array("q"))

    def open_rows(self, data: bytes) -> NDArray[np.void]:
        """Return the messages as a structured array, shape (n_messages,); fields are by place."""
        slots = (*self.own, *self.developer)
        place = np.dtype(
            {
                "names": [f"f{index}" for index in range(len(slots))],
                "formats": [self._format(slot) for slot in slots],
                "offsets": [slot.start for slot in slots],
                "itemsize": self.stride,
            }
        )
        # Every place in the bytes seen as a message; only those that are one are copied.
        everywhere: NDArray[np.void] = np.ndarray(
            shape=(len(data) - self.stride + 1,),
            dtype=np.dtype((np.void, self.stride)),
            buffer=data,
            strides=(1,),
        )
        return everywhere[np.frombuffer(self.offsets, dtype=np.int64)].view(place)

    def _format(self, slot: Slot) -> str | tuple[str, tuple[int]]:
        if slot.kind == "text":
            return f"S{slot.count}"
        code = f"{self.byte_order}{slot.base.code}"
        return code if slot.kind == "number" else (code, (slot.count,))


def list_values(slot: Slot, column: NDArray[np.generic]) -> list[Raw]:
    """Return the values of one field as Python's, None where invalid."""
    if slot.kind == "text":
        return [_decode_text(raw) for raw in column.tolist()]
    if slot.kind == "number":
        return [_scrub(slot.base, raw) for raw in column.tolist()]
    if slot.kind == "bytes":
        return [tuple(raw) if set(raw) != {slot.base.invalid} else None for raw in column.tolist()]
    return [tuple(_scrub(slot.base, raw) for raw in row) for row in column.tolist()]


def _scrub(base: BaseType, raw: float) -> int | float | None:
    is_none = raw != raw if base.invalid is None else raw == base.invalid  # noqa: PLR0124 - NaN
    return None if is_none else raw


def _decode_text(raw: bytes) -> str | None:
    return raw.partition(b"\0")[0].decode(errors="replace") or None


def list_messages(layout: Layout, data: bytes) -> Iterator[Message]:
    """Return the messages of `layout` one by one; of developer fields nothing is taken."""
    rows = layout.open_rows(data)
    columns = [list_values(slot, rows[f"f{place}"]) for place, slot in enumerate(layout.own)]
    numbers = [slot.number for slot in layout.own]
    for place in range(len(rows)):
        values = {number: column[place] for number, column in zip(numbers, columns, strict=True)}
        yield Message(layout.number, values, {})


def find_layouts(data: bytes) -> list[Layout]:
    """Return the layouts of the wanted messages of one FIT part, each with at least one message.

    Where the bytes end in the middle of a message, what came before is returned.
    *Raises* DeclinedError for what only a general decoder reads, or none at all.
    """
    header_size = data[0]
    if header_size < _HEADER_WITH_CRC and header_size != _SHORTEST_HEADER:
        raise DeclinedError(f"a header of {header_size} bytes")
    declared_end = header_size + int(struct.unpack_from("<I", data, 4)[0])
    header_pass = _HeaderPass(data, min(declared_end, len(data)))
    header_pass.run(header_size)
    return [layout for layout in header_pass.layouts.values() if layout.offsets]


class _HeaderPass:
    """The pass over header bytes. `layouts` are by the bytes of their definition."""

    def __init__(self, data: bytes, end: int) -> None:
        self.layouts: dict[tuple[bytes, int], Layout] = {}
        self._data, self._end = data, end
        # By header byte of data messages: their length, and who takes where they begin.
        self._strides = [0] * 256
        self._takers: list[Callable[[int], None] | None] = [None] * 256
        self._developer: dict[int, dict[int, BaseType]] = {}
        self._n_declarations = 0

    def run(self, position: int) -> None:
        data, end, strides, takers = self._data, self._end, self._strides, self._takers
        while position < end:
            head = data[position]
            stride = strides[head]
            behind = position + (stride or self._define(position))
            if behind > end:
                break
            if stride:
                take = takers[head]
                if take is not None:
                    take(position)
            position = behind
        if position < end < len(data):
            raise DeclinedError("the last message is longer than the declared data")

    def _define(self, position: int) -> int:
        """Take over the definition at `position` if it is all there; return its length."""
        head = self._data[position]
        if not head & _DEFINITION or head & _COMPRESSED:
            raise DeclinedError(f"a message begins with {head:#04x}")
        length = self._measure_definition(position)
        if position + length > self._end:
            return length
        # The same bytes may mean another thing after a new declaration of developer fields.
        declared = self._n_declarations if head & _DEVELOPER else 0
        key = (self._data[position + 2 : position + length], declared)
        layout = self.layouts.get(key)
        if layout is None:
            layout = self.layouts[key] = self._make_layout(position, length)
        local = head & _LOCAL
        self._strides[local] = layout.stride
        self._takers[local] = self._choose_taker(layout)
        return length

    def _measure_definition(self, position: int) -> int:
        length = _DEFINITION_HEAD
        has_developer = self._data[position] & _DEVELOPER
        if position + length <= self._end:
            length += _FIELD_BYTES * self._data[position + length - 1]
            if has_developer:
                length += 1
                if position + length <= self._end:
                    length += _FIELD_BYTES * self._data[position + length - 1]
        return length

    def _choose_taker(self, layout: Layout) -> Callable[[int], None] | None:
        if layout.number not in WANTED:
            return None
        if layout.number in {FIELD_DESCRIPTION, DEVELOPER_DATA_ID}:
            return lambda position: self._declare(layout, position)
        return layout.offsets.append

    def _make_layout(self, position: int, length: int) -> Layout:
        order = self._data[position + 2]
        if order > 1:
            raise DeclinedError(f"byte order {order}")
        number = int.from_bytes(
            self._data[position + 3 : position + 5], "big" if order else "little"
        )
        n_own = self._data[position + 5]
        triples = self._data[position + _DEFINITION_HEAD : position + length]
        own_end = _FIELD_BYTES * n_own
        kinds = {each.number: each.kind for each in WANTED.get(number, {}).values()}
        own = [
            _Declared(field, size, _find_base(base), kinds.get(field))
            for field, size, base in _list_triples(triples[:own_end])
        ]
        developer = [
            _Declared(
                field,
                size,
                self._find_developer_base(index, field),
                "number" if number == RECORD else None,
                index,
            )
            for field, size, index in _list_triples(triples[own_end + 1 :])
        ]
        own_slots, behind = _place(own, start=1)
        developer_slots, stride = _place(developer, start=behind)
        return Layout(number, stride, ">" if order else "<", own_slots, developer_slots)

    def _find_developer_base(self, index: int, number: int) -> BaseType:
        base = self._developer.get(index, {}).get(number)
        if base is None:
            raise DeclinedError(f"developer field {number} was never declared")
        return base

    def _declare(self, layout: Layout, position: int) -> None:
        """Take what a message says of developers or their fields; it counts from here on."""
        layout.offsets.append(position)
        (message,) = list_messages(replace(layout, offsets=array("q", [position])), self._data)
        values = message.values
        self._n_declarations += 1
        if message.number == DEVELOPER_DATA_ID:
            self._developer[_require_number(values.get(3))] = {}
            return
        index, number, base = (_require_number(values.get(key)) for key in (0, 1, 2))
        if index not in self._developer:
            raise DeclinedError(f"developer {index} was never declared")
        self._developer[index][number] = _find_base(base)


def _list_triples(triples: bytes) -> Iterator[tuple[int, int, int]]:
    return zip(triples[0::3], triples[1::3], triples[2::3], strict=True)


class _Declared(NamedTuple):
    """One field of a definition; `wanted` says how the job takes it, if it does."""

    number: int
    size: int
    base: BaseType
    wanted: Kind | None
    developer: int | None = None


def _place(fields: Iterable[_Declared], *, start: int) -> tuple[tuple[Slot, ...], int]:
    """Return the wanted ones of `fields`, which lie one after another, and where they end."""
    slots: list[Slot] = []
    for each in fields:
        if each.size % each.base.size:
            raise DeclinedError(f"a field of {each.size} bytes for values of {each.base.size}")
        count = each.size // each.base.size
        kind = None if each.wanted is None else choose_kind(each.wanted, each.base.name, count)
        if kind is not None:
            slots.append(Slot(each.number, start, count, kind, each.base, each.developer))
        start += each.size
    if len({(slot.developer, slot.number) for slot in slots}) < len(slots):
        raise DeclinedError("a message with the same field twice")
    return tuple(slots), start


def _find_base(number: int) -> BaseType:
    base = BASE_TYPES.get(number)
    if base is None:
        raise DeclinedError(f"base type {number:#04x}")
    return base


def _require_number(value: Raw) -> int:
    if not isinstance(value, int):
        raise DeclinedError("a declaration of a developer field without its numbers")
    return value
