"""Registers the bad readers; only a reading process imports it, so that no test meets them."""

from __future__ import annotations

import functools
import os
from pathlib import Path
from typing import TYPE_CHECKING

from tasks.core.errors import NothingRecordedError
from tasks.core.registers import reader
from tests.faults.bad_readers import MAGIC, abort, chat, die_once, eat, hold, leave, loop

if TYPE_CHECKING:
    from collections.abc import Callable

    from tasks.core.recording import ExportFile, Recording
    from tasks.core.registers import ReadOptions


def _read(
    do: Callable[[], None], export: ExportFile, _options: ReadOptions
) -> tuple[Recording, ...]:
    mark = Path(export.path.read_bytes().partition(b"\n")[2].decode())
    is_first = not mark.exists()
    mark.write_text(str(os.getpid()))
    if do is not die_once or is_first:
        do()
    raise NothingRecordedError(export.name, found="a bad reader's end", remedy="nothing")


def _sniff(head: bytes) -> bool:
    if head.startswith(MAGIC + b"sniff"):
        loop()
    return False


reader(
    "bad-sniff",
    suffixes=(".bad",),
    sniff=_sniff,
    is_complete=lambda _path: True,
    source="invented for these tests",
)(functools.partial(_read, loop))

for _name, _do in {
    "loop": loop,
    "hold": hold,
    "eat": eat,
    "abort": abort,
    "leave": leave,
    "chat": chat,
    "die-once": die_once,
}.items():
    reader(
        f"bad-{_name}",
        suffixes=(".bad",),
        sniff=functools.partial(lambda begin, head: head.startswith(begin), MAGIC + _name.encode()),
        is_complete=lambda _path: True,
        source="invented for these tests",
    )(functools.partial(_read, _do))
