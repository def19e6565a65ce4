"""Writes FIT files byte by byte, for the odd cases that no writing library makes.

Source: FIT protocol description (file header, record headers, base types, CRC). Numbers and
scales are the caller's: a value goes out as it is given.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

Value = int | float | str | bytes | None | Sequence[int | float | None]
Checksum = Literal["right", "zero", "wrong"]

#: Base types: name -> (number on file, struct letter, size, value that means "none").
BASE_TYPES: dict[str, tuple[int, str, int, int]] = {
    "enum": (0x00, "B", 1, 0xFF),
    "sint8": (0x01, "b", 1, 0x7F),
    "uint8": (0x02, "B", 1, 0xFF),
    "sint16": (0x83, "h", 2, 0x7FFF),
    "uint16": (0x84, "H", 2, 0xFFFF),
    "sint32": (0x85, "i", 4, 0x7FFFFFFF),
    "uint32": (0x86, "I", 4, 0xFFFFFFFF),
    "string": (0x07, "s", 1, 0x00),
    "float32": (0x88, "f", 4, 0xFFFFFFFF),
    "float64": (0x89, "d", 8, 0xFFFFFFFFFFFFFFFF),
    "uint8z": (0x0A, "B", 1, 0x00),
    "uint16z": (0x8B, "H", 2, 0x0000),
    "uint32z": (0x8C, "I", 4, 0x00000000),
    "byte": (0x0D, "B", 1, 0xFF),
    "sint64": (0x8E, "q", 8, 0x7FFFFFFFFFFFFFFF),
    "uint64": (0x8F, "Q", 8, 0xFFFFFFFFFFFFFFFF),
}


def compute_crc(data: bytes, crc: int = 0) -> int:
    """Return the FIT checksum, bit by bit (polynomial 0xA001, reflected, start 0)."""
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def frame(
    records: bytes,
    *,
    header_size: int = 14,
    header_crc: Checksum = "right",
    file_crc: Checksum = "right",
    declared_size: int | None = None,
    profile: int = 2115,
) -> bytes:
    """Put header and checksum around `records`.

    `declared_size` replaces the true data size in the header. A 12-byte header has no checksum
    of its own.
    """
    size = len(records) if declared_size is None else declared_size
    header = struct.pack("<BBHI4s", header_size, 0x20, profile, size, b".FIT")
    if header_size >= 14:
        header += struct.pack("<H", _choose(compute_crc(header), header_crc))
        header += bytes(header_size - 14)
    crc = _choose(compute_crc(header + records), file_crc)
    return header + records + struct.pack("<H", crc)


def _choose(crc: int, wanted: Checksum) -> int:
    return {"right": crc, "zero": 0, "wrong": crc ^ 0x5A5A}[wanted]


@dataclass
class FitBytes:
    """Collects messages; `build` gives the file. Chained files: join what several build.

    A message is given as `{field number: (base type, value)}`; None is the type's invalid value;
    a sequence is an array; `bytes` go out as they are. A definition is written whenever the
    layout under its local number changes.
    """

    big_endian: bool = False
    records: bytearray = field(default_factory=bytearray)
    _layouts: dict[int, object] = field(default_factory=dict)

    def add(
        self,
        message: int,
        fields: Mapping[int, tuple[str, Value]],
        *,
        local: int = 0,
        developer: Mapping[tuple[int, int], tuple[str, Value]] | None = None,
        time_offset: int | None = None,
    ) -> FitBytes:
        """Add one message.

        `developer` maps (developer data index, field number) to (base type, value).
        `time_offset` (0 to 31) makes the record header one with a compressed timestamp; then
        `local` is at most 3.
        """
        own = [(number, *self._pack(base, value)) for number, (base, value) in fields.items()]
        extra = [
            (index, number, *self._pack(base, value))
            for (index, number), (base, value) in (developer or {}).items()
        ]
        layout = (
            message,
            tuple((number, base, len(packed)) for number, base, packed in own),
            tuple((index, number, len(packed)) for index, number, _base, packed in extra),
        )
        if self._layouts.get(local) != layout:
            self._define(local, layout)
        header = local if time_offset is None else 0x80 | local << 5 | time_offset
        self.records.append(header)
        self.records += b"".join(packed for *_, packed in own)
        self.records += b"".join(packed for *_, packed in extra)
        return self

    def add_raw(self, data: bytes) -> FitBytes:
        """Add bytes as they are."""
        self.records += data
        return self

    def build(
        self,
        *,
        header_size: int = 14,
        header_crc: Checksum = "right",
        file_crc: Checksum = "right",
        declared_size: int | None = None,
    ) -> bytes:
        """Return the whole file."""
        return frame(
            bytes(self.records),
            header_size=header_size,
            header_crc=header_crc,
            file_crc=file_crc,
            declared_size=declared_size,
        )

    @property
    def _endian(self) -> str:
        return ">" if self.big_endian else "<"

    def _define(
        self,
        local: int,
        layout: tuple[int, tuple[tuple[int, int, int], ...], tuple[tuple[int, int, int], ...]],
    ) -> None:
        message, own, extra = layout
        self.records.append(0x40 | (0x20 if extra else 0) | local)
        self.records += bytes((0, int(self.big_endian)))
        self.records += struct.pack(f"{self._endian}HB", message, len(own))
        for number, base, size in own:
            self.records += bytes((number, size, base))
        if extra:
            self.records.append(len(extra))
            for index, number, size in extra:
                self.records += bytes((number, size, index))
        self._layouts[local] = layout

    def _pack(self, base: str, value: Value) -> tuple[int, bytes]:
        number, letter, _size, _none = BASE_TYPES[base]
        if isinstance(value, bytes):
            return number, value
        if isinstance(value, str):
            return number, value.encode() + b"\0"
        if value is None or isinstance(value, (int, float)):
            return number, self._pack_one(base, letter, value)
        return number, b"".join(self._pack_one(base, letter, each) for each in value)

    def _pack_one(self, base: str, letter: str, value: float | None) -> bytes:
        _number, _letter, size, none = BASE_TYPES[base]
        if value is None:
            return none.to_bytes(size, "big" if self.big_endian else "little")
        if letter in "fd":
            return struct.pack(f"{self._endian}{letter}", value)
        return struct.pack(f"{self._endian}{letter}", int(value))
