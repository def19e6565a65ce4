"""The checksum of FIT files: CRC-16 with polynomial 0x8005 reflected (0xA001), start 0.

Source: FIT protocol, "CRC"; the same as CRC-16/ARC.
"""

from __future__ import annotations

import sys
from array import array
from functools import cache

import numpy as np


def compute_crc(data: bytes | memoryview) -> int:
    """Return the checksum of `data`; over data that ends with its own checksum it is 0."""
    table = _make_table()
    words = array("H")
    words.frombytes(data[: len(data) & ~1])
    if sys.byteorder == "big":
        words.byteswap()
    crc = 0
    for word in words:
        crc = table[crc ^ word]
    if len(data) & 1:
        crc = _advance_one_byte(crc ^ data[-1])
    return crc


def _advance_one_byte(crc: int) -> int:
    for _ in range(8):
        crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc


@cache
def _make_table() -> list[int]:
    """Return the state after two bytes, by state XOR bytes.

    The state has as many bits as two bytes, so one look-up takes both; per byte that is half the
    work of the usual table of 256.
    """
    states = np.arange(1 << 16, dtype=np.uint32)
    for _ in range(16):
        states = (states >> np.uint32(1)) ^ (states & np.uint32(1)) * np.uint32(0xA001)
    table: list[int] = states.tolist()
    return table
