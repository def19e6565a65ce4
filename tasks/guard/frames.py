"""What the two ends of the pipe say to each other: pickles, each after its length.

Both ends are this program and the pipe is nobody else's, so that unpickling is safe here; nothing
of this is ever written to a file.
"""

from __future__ import annotations

import pickle
import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import BinaryIO, Final

_LENGTH: Final = struct.Struct(">Q")


@dataclass(frozen=True)
class Request:
    """Call `function`, importable by its name, with `arguments`, within these limits."""

    function: Callable[..., object]
    arguments: tuple[object, ...]
    longest_s: float
    most_memory_bytes: int


@dataclass(frozen=True)
class Answer:
    """What the call gave or raised, and what it logged (level, logger, text)."""

    value: object = None
    error: BaseException | None = None
    is_out_of_memory: bool = False
    logged: tuple[tuple[int, str, str], ...] = ()


def write_frame(pipe: BinaryIO, message: object) -> None:
    """Send `message`. Raises: OSError when nobody reads, whatever pickling raises."""
    payload = pickle.dumps(message, protocol=pickle.HIGHEST_PROTOCOL)
    pipe.write(_LENGTH.pack(len(payload)))
    pipe.write(payload)
    pipe.flush()


def read_frame(pipe: BinaryIO) -> object:
    """Return the next message. Raises: EOFError when the other end is gone."""
    (length,) = _LENGTH.unpack(_read_exactly(pipe, _LENGTH.size))
    return pickle.loads(_read_exactly(pipe, length))  # noqa: S301 - both ends are this program


def _read_exactly(pipe: BinaryIO, size: int) -> bytes:
    data = pipe.read(size)
    if len(data) < size:
        raise EOFError
    return data
