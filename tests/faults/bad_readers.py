"""What no reader should do; `registered_bad_readers` makes readers of it.

Their exports begin with `MAGIC`, the name of the reader and a line end; what follows is the path
of a file in which the reader writes down its process id when it begins.
"""

from __future__ import annotations

import contextlib
import logging
import os
import re
import resource
import signal
import sys
import time
from typing import TYPE_CHECKING, Final, NoReturn

if TYPE_CHECKING:
    from pathlib import Path

MAGIC: Final = b"\x01\x02bad "


def write_bad_export(path: Path, name: str, *, mark: Path) -> Path:
    """Write an export that the reader `name` takes, and which tells `mark` that it began."""
    path.write_bytes(MAGIC + name.encode() + b"\n" + bytes(mark))
    return path


def loop() -> None:
    while True:
        pass


def hold() -> None:
    # A library that never gives the interpreter back: here the regular expressions' engine.
    re.match(r"(a+)+$", "a" * 64 + "b")


def eat() -> None:
    eaten = []
    while True:
        eaten.append(bytearray(8_000_000))


def eat_on() -> None:
    """Hold all the memory there is and go on, as what takes its lack for a fault of the file."""
    eaten = []
    while True:
        with contextlib.suppress(MemoryError):
            eaten.append(bytearray(1_000_000))


def eat_unlimited() -> None:
    """Grow slowly, up to a gigabyte, without the limit that the system would keep."""
    _, hard = resource.getrlimit(resource.RLIMIT_DATA)
    resource.setrlimit(resource.RLIMIT_DATA, (hard, hard))
    eaten = []
    for _ in range(250):
        eaten.append(b"1" * 4_000_000)
        time.sleep(0.02)


def abort() -> None:
    os.abort()


def leave() -> None:
    os._exit(3)


def chat() -> None:
    sys.stdout.write("no answer at all")
    sys.stdout.flush()
    os.write(1, b"nor this")
    logging.getLogger("tests.chat").warning("said while reading")


class Unpicklable(Exception):  # noqa: N818 - what it cannot, not what went wrong
    """An error that cannot be made again from what pickling keeps of it."""

    def __init__(self, first: str, second: str) -> None:
        self.second = second
        super().__init__(first)


def raise_unpicklable() -> NoReturn:
    """Raise what does not come through the pipe."""
    raise Unpicklable("there", "but not back")


def raise_again(error: BaseException) -> NoReturn:
    """Raise `error` on the other side of the pipe."""
    raise error


def die_once() -> NoReturn:
    os.kill(os.getpid(), signal.SIGKILL)
    raise AssertionError("SIGKILL returns to nobody")
