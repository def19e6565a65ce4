"""The frame of a FIT file: headers, declared sizes and checksums; nothing is decoded here.

A file is one part or several in a chain, each with a header, data and a checksum.
Source: FIT protocol, "File header", "CRC" (CRC-16/ARC; over data that ends with its own checksum it
is 0), "Chained FIT files".
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from fastcrc import crc16

if TYPE_CHECKING:
    from pathlib import Path

MAGIC: Final = b".FIT"
#: Shortest header; the protocol's usual one has 14 bytes, the last two its own checksum.
SHORTEST_HEADER: Final = 12
HEADER_WITH_CRC: Final = 14
CRC_BYTES: Final = 2

State = Literal["whole", "cut", "unclosed"]


class FrameError(ValueError):
    """The bytes do not begin with a FIT header."""


@dataclass(frozen=True)
class Part:
    """One FIT part inside the bytes of a file.

    `declared_end` is where header and data size say that the part ends, checksum included;
    `end` is where its bytes end. "cut": bytes are missing; "unclosed": the header declares no
    data although data follow, as after a crash of the device.
    """

    start: int
    header_size: int
    end: int
    declared_end: int
    state: State

    def open_bytes(self, data: bytes) -> bytes:
        """Return bytes of the part; the header of an unclosed one gets the size that is there."""
        piece = data[self.start : self.end]
        if self.state != "unclosed":
            return piece
        size = struct.pack("<I", len(piece) - self.header_size)
        return piece[:4] + size + piece[8:]


def looks_like_fit(head: bytes) -> bool:
    """Say whether `head` begins with a FIT header."""
    return (
        len(head) >= SHORTEST_HEADER
        and head[8:SHORTEST_HEADER] == MAGIC
        and head[0] >= SHORTEST_HEADER
    )


def split_parts(data: bytes) -> tuple[tuple[Part, ...], int]:
    """Return the parts of a file, and how many bytes follow the last one that are no part.

    Sizes are only compared with what is there; nothing of a declared size is ever allocated.
    Raises: FrameError when the file does not begin with a header.
    """
    parts: list[Part] = []
    start = 0
    while start < len(data):
        head = data[start : start + SHORTEST_HEADER]
        if not looks_like_fit(head):
            break
        parts.append(_make_part(data, start))
        start = parts[-1].end
    if not parts:
        raise FrameError("no FIT header at the start")
    return tuple(parts), len(data) - start


def _make_part(data: bytes, start: int) -> Part:
    header_size, data_size = data[start], struct.unpack_from("<I", data, start + 4)[0]
    declared_end = start + header_size + data_size + CRC_BYTES
    state: State = "whole" if declared_end <= len(data) else "cut"
    end = min(declared_end, len(data))
    follows = data[end : end + SHORTEST_HEADER]
    if data_size == 0 and any(data[end:]) and not looks_like_fit(follows):
        state, end = "unclosed", len(data)
    return Part(start, header_size, end, declared_end, state)


def has_right_crc(part: Part, data: bytes) -> bool:
    """Say whether the checksum of a whole part is right."""
    return crc16.arc(memoryview(data)[part.start : part.end]) == 0


def has_wrong_header_crc(part: Part, data: bytes) -> bool:
    """Say whether the header's own checksum is there and wrong; 0 means that there is none."""
    if part.header_size < HEADER_WITH_CRC or part.end - part.start < HEADER_WITH_CRC:
        return False
    header = data[part.start : part.start + HEADER_WITH_CRC]
    stated = struct.unpack_from("<H", header, SHORTEST_HEADER)[0]
    return stated not in {0, crc16.arc(header[:SHORTEST_HEADER])}


def has_all_declared_bytes(path: Path) -> bool:
    """Say whether the file at `path` is as long as its headers declare, part after part."""
    size = path.stat().st_size
    position = 0
    with path.open("rb") as file:
        while position < size:
            file.seek(position)
            head = file.read(SHORTEST_HEADER)
            if not looks_like_fit(head):
                break
            position += head[0] + struct.unpack_from("<I", head, 4)[0] + CRC_BYTES
    return 0 < position <= size
