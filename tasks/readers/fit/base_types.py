"""Base types of FIT fields: how a value lies in the bytes and which value says "none".

Source: FIT protocol, "Base types" (table of base type fields, with invalid values).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from tasks.readers.fit.fields import Kind


class BaseType(NamedTuple):
    """One base type; `code` is numpy's, without byte order. Floats say "none" by NaN."""

    name: str
    code: str
    size: int
    invalid: int | None = None

    @property
    def is_integer(self) -> bool:
        """Whether its values are whole numbers."""
        return self.code[0] in "iu"


#: Base types by number on file.
BASE_TYPES: Final = {
    0x00: BaseType("enum", "u1", 1, 0xFF),
    0x01: BaseType("sint8", "i1", 1, 0x7F),
    0x02: BaseType("uint8", "u1", 1, 0xFF),
    0x83: BaseType("sint16", "i2", 2, 0x7FFF),
    0x84: BaseType("uint16", "u2", 2, 0xFFFF),
    0x85: BaseType("sint32", "i4", 4, 0x7FFFFFFF),
    0x86: BaseType("uint32", "u4", 4, 0xFFFFFFFF),
    0x07: BaseType("string", "S", 1),
    0x88: BaseType("float32", "f4", 4),
    0x89: BaseType("float64", "f8", 8),
    0x0A: BaseType("uint8z", "u1", 1, 0),
    0x8B: BaseType("uint16z", "u2", 2, 0),
    0x8C: BaseType("uint32z", "u4", 4, 0),
    0x0D: BaseType("byte", "u1", 1, 0xFF),
    0x8E: BaseType("sint64", "i8", 8, 0x7FFFFFFFFFFFFFFF),
    0x8F: BaseType("uint64", "u8", 8, 0xFFFFFFFFFFFFFFFF),
    0x90: BaseType("uint64z", "u8", 8, 0),
}


def choose_kind(wanted: Kind, base_type: str, count: int) -> Kind | None:
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
