"""Keeps what an export can do to its reader away from the process that holds everything together.

A thread cannot be stopped, and a library written in C can take its whole process down. So exports
are read in a process of their own, with a limit of time and of memory; what goes too far there is
ended and refused with its reason, and the next export finds a new one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NoReturn

from tasks.core.errors import ReaderFailedError
from tasks.core.reading import is_complete
from tasks.guard.clean import Clean, read_clean
from tasks.guard.process import CallEndedError, Pool, ReadingProcessError

if TYPE_CHECKING:
    from pathlib import Path

    from config.settings import ReadSettings
    from tasks.core.recording import ExportFile
    from tasks.core.registers import ReadOptions

__all__ = ["POOL", "Clean", "ReadingProcessError", "is_complete_apart", "read_apart", "warm_up"]

#: The reading processes of this process.
POOL = Pool()

#: Limits for looking whether a file is complete, which takes far less than reading it.
LOOK_LONGEST_S: Final = 30.0
LOOK_MOST_MB: Final = 1024.0

_SEND: Final = "send the file to whoever maintains coworn"


def read_apart(export: ExportFile, options: ReadOptions, *, settings: ReadSettings) -> Clean:
    """Read and normalise `export` in a reading process; at least one recording.

    Raises: ExportRefusedError, a ReaderFailedError when it took too long, needed too much memory
    or ended the process; ReadingProcessError when there is none to be had; OSError.
    """
    try:
        clean = POOL.call(
            read_clean,
            export,
            options,
            longest_s=settings.longest_s,
            most_memory_mb=settings.most_memory_mb,
        )
    except CallEndedError as error:
        _refuse(export, error, settings)
    if not isinstance(clean, Clean):
        raise TypeError(f"the reading process gives {type(clean).__name__}")
    return clean


def is_complete_apart(path: Path, name: str) -> bool:
    """Say whether the file at `path` holds all that its format promises; see `is_complete`.

    A file that cannot be looked at within the limits counts as complete: reading it says why.
    Raises: OSError, ReadingProcessError when there is none to be had.
    """
    try:
        return bool(
            POOL.call(
                is_complete, path, name, longest_s=LOOK_LONGEST_S, most_memory_mb=LOOK_MOST_MB
            )
        )
    except CallEndedError:
        return True


def warm_up() -> None:
    """Let a reading process start while other things are done."""
    POOL.warm_up()


def _refuse(export: ExportFile, error: CallEndedError, settings: ReadSettings) -> NoReturn:
    if error.is_too_long:
        found = f"reading it was stopped after {settings.longest_s:g} s"
        remedy = f"if it is that long, raise read.longest_s and drop it again, else {_SEND}"
    elif error.is_out_of_memory:
        found = f"reading it needs more than {settings.most_memory_mb:g} MB of memory"
        remedy = f"if it is that large, raise read.most_memory_mb and drop it again, else {_SEND}"
    else:
        found = f"reading it ended the process that reads, twice ({error.death})"
        remedy = f"export the activity again; if that ends the same way, {_SEND}"
    raise ReaderFailedError(export.name, found=found, remedy=remedy) from error
