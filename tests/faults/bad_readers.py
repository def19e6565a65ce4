"""Readers that do what no reader should, for the reading process to import.

Their exports begin with `MAGIC`, the name of the reader and a line end; what follows is the path
of a file in which the reader writes down its process id when it begins.
"""

from __future__ import annotations

import functools
import logging
import os
import re
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final, NoReturn

from tasks.core.errors import NothingRecordedError
from tasks.core.registers import reader

if TYPE_CHECKING:
    from collections.abc import Callable

    from tasks.core.recording import ExportFile, Recording
    from tasks.core.registers import ReadOptions

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


def _read(
    do: Callable[[], None], export: ExportFile, _options: ReadOptions
) -> tuple[Recording, ...]:
    mark = Path(export.path.read_bytes().partition(b"\n")[2].decode())
    is_first = not mark.exists()
    mark.write_text(str(os.getpid()))
    if do is not _die_once or is_first:
        do()
    raise NothingRecordedError(export.name, found="a bad reader's end", remedy="nothing")


def _die_once() -> NoReturn:
    os.kill(os.getpid(), signal.SIGKILL)
    raise AssertionError("SIGKILL returns to nobody")


for _name, _do in {
    "loop": loop,
    "hold": hold,
    "eat": eat,
    "abort": abort,
    "leave": leave,
    "chat": chat,
    "die-once": _die_once,
}.items():
    reader(
        f"bad-{_name}",
        suffixes=(".bad",),
        sniff=functools.partial(lambda begin, head: head.startswith(begin), MAGIC + _name.encode()),
        is_complete=lambda _path: True,
        source="invented for these tests",
    )(functools.partial(_read, _do))
