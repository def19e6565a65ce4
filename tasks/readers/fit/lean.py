"""The trusted decoder: fitparse's frame, definitions and base types, without its message objects.

fitparse builds several objects per value and keeps every message. Here its own parsing of
headers, definitions, base types and developer types is used as it is, and only the wanted values
of a message are unpacked, all at once. Scales and expanded fields come from `fields`.

This uses private parts of fitparse 1.2.0; a test holds its values against fitparse's own.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

from fitparse import FitFile, records
from fitparse.utils import FitEOFError, FitParseError

from tasks.readers.fit.fields import (
    DEVELOPER_DATA_ID,
    FIELD_DESCRIPTION,
    RECORD,
    TIME_ONLY,
    TIMESTAMP,
    WANTED,
    Kind,
    Message,
    Raw,
)

#: What damaged or odd bytes make fitparse raise, beside its own errors.
DECODER_ERRORS: Final = (
    FitParseError,
    ValueError,
    LookupError,
    TypeError,
    AttributeError,
    ArithmeticError,
    AssertionError,
    struct.error,
)
#: The file ended in the middle of a message.
CutError = FitEOFError

_COMPRESSED_TIME_BITS: Final = 5
#: Names under which fitparse asks for the values of the messages that declare developer fields.
_DECLARED: Final = {
    DEVELOPER_DATA_ID: {"developer_data_index": 3, "application_id": 1},
    FIELD_DESCRIPTION: {
        "developer_data_index": 0,
        "field_definition_number": 1,
        "fit_base_type_id": 2,
        "field_name": 3,
        "units": 8,
        "native_field_num": 15,
    },
}


def read_messages(data: bytes) -> Iterator[Message]:
    """Return the wanted messages of one FIT part, in file order; checksums are not looked at.

    Raises: CutError where the bytes end too early, another of DECODER_ERRORS for bytes that
    fitparse refuses.
    """
    # fitparse keeps developer fields per process: without this, those of the previous file.
    records.DEV_TYPES.clear()
    file = _LeanFile(io.BytesIO(data), check_crc=False)
    return file.read_wanted()


@dataclass(frozen=True)
class _Slot:
    """Where a wanted value lies among the unpacked ones, and how fitparse scrubs it."""

    key: int | tuple[int, int]
    start: int
    stop: int
    kind: Kind
    parse: Callable[[Any], Any]


@dataclass(frozen=True)
class _Plan:
    """How to unpack the messages of one definition. `is_wanted` is false for a time alone."""

    number: int
    unpack: struct.Struct
    own: tuple[_Slot, ...]
    developer: tuple[_Slot, ...]
    is_wanted: bool


class _LeanFile(FitFile):  # type: ignore[misc] # fitparse ships no types
    def read_wanted(self) -> Iterator[Message]:
        plans: dict[int, _Plan] = {}
        while self._bytes_left > 0:
            header = self._parse_message_header()
            if header.is_definition:
                definition = self._parse_definition_message(header)
                plans[header.local_mesg_num] = _make_plan(definition)
                continue
            plan = plans.get(header.local_mesg_num)
            if plan is None:
                raise FitParseError(f"local message {header.local_mesg_num} was never defined")
            message = self._read_one(plan, header.time_offset)
            if plan.number in _DECLARED:
                _declare(message)
            if plan.is_wanted:
                yield message
        if self._bytes_left < 0:
            raise FitParseError("the last message is longer than the declared data")

    def _read_one(self, plan: _Plan, time_offset: int | None) -> Message:
        size = plan.unpack.size
        unpacked = plan.unpack.unpack(self._read(size) if size else b"")
        values = {slot.key: _take(slot, unpacked) for slot in plan.own}
        time = values.get(TIMESTAMP)
        if time is not None:
            self._compressed_ts_accumulator = time
        if time_offset is not None:
            values[TIMESTAMP] = self._compressed_ts_accumulator = (
                self._apply_compressed_accumulation(
                    time_offset, self._compressed_ts_accumulator, _COMPRESSED_TIME_BITS
                )
            )
        developer = {slot.key: _take(slot, unpacked) for slot in plan.developer}
        return Message(plan.number, values, developer)  # type: ignore[arg-type] # by slot


def _take(slot: _Slot, unpacked: tuple[Any, ...]) -> Raw:
    if slot.kind in {"number", "text"}:
        scrubbed: Raw = slot.parse(unpacked[slot.start])
        return scrubbed
    piece = unpacked[slot.start : slot.stop]
    if slot.kind == "bytes":
        whole: Raw = slot.parse(piece)
        return whole
    return tuple(slot.parse(value) for value in piece)


def _make_plan(definition: Any) -> _Plan:  # noqa: ANN401 - an untyped class of fitparse
    number = definition.mesg_num
    wanted = WANTED.get(number, TIME_ONLY)
    letters: list[str] = []
    own: list[_Slot] = []
    developer: list[_Slot] = []
    position = 0
    for field in definition.field_defs:
        known = wanted.get(field.def_num)
        kind = None if known is None else fit_kind(known.kind, field.base_type.name, _count(field))
        if kind is None:
            letters.append(f"{field.size}x")
            continue
        position = _add(letters, own, field, position, key=field.def_num, kind=kind)
    for field in definition.dev_field_defs:
        kind = fit_kind("number", field.base_type.name, _count(field))
        if number != RECORD or kind is None:
            letters.append(f"{field.size}x")
            continue
        key = (field.dev_data_index, field.def_num)
        position = _add(letters, developer, field, position, key=key, kind=kind)
    unpack = struct.Struct(definition.endian + "".join(letters))
    return _Plan(number, unpack, tuple(own), tuple(developer), number in WANTED)


def _count(field: Any) -> int:  # noqa: ANN401 - an untyped class of fitparse
    count: int = field.size // field.base_type.size
    return count


def _add(
    letters: list[str],
    slots: list[_Slot],
    field: Any,  # noqa: ANN401 - an untyped class of fitparse
    position: int,
    *,
    key: int | tuple[int, int],
    kind: Kind,
) -> int:
    letters.append(f"{_count(field)}{field.base_type.fmt}")
    taken = 1 if kind == "text" else _count(field)
    slots.append(_Slot(key, position, position + taken, kind, field.base_type.parse))
    return position + taken


def fit_kind(wanted: Kind, base_type: str, count: int) -> Kind | None:
    """Return how a field of `base_type` with `count` values is taken, None when it does not fit.

    A number must be a single one; a maker's array or odd size in its place is not guessed at.
    """
    if count == 0:
        return None
    if base_type == "string":
        return "text" if wanted == "text" else None
    if base_type == "byte":
        return "bytes" if wanted == "bytes" else None
    if wanted == "number":
        return "number" if count == 1 else None
    return "numbers" if wanted == "numbers" else None


class _Declaration:
    """The face that fitparse expects of a message that declares developer fields."""

    def __init__(self, message: Message) -> None:
        self._message = message

    def get_raw_value(self, name: str) -> Raw:
        return self._message.values.get(_DECLARED[self._message.number][name])


def _declare(message: Message) -> None:
    if message.number == DEVELOPER_DATA_ID:
        records.add_dev_data_id(_Declaration(message))
    else:
        records.add_dev_field_description(_Declaration(message))
