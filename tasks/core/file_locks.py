"""Locks of files that other programs see, and ways to open files, on every system.

Where the system has no `fcntl` (Windows), opening does what a lock does elsewhere: DuckDB opens a
database for itself alone, and nobody else can open it meanwhile.
"""

from __future__ import annotations

import errno
import os
import signal
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from pathlib import Path

try:
    import fcntl as _fcntl
except ImportError:  # Windows
    _fcntl = None  # type: ignore[assignment]
_LOCKS: Final[Any] = _fcntl

#: Flags of `os.open` beside those for reading and writing, as far as the system knows them: bytes
#: as they are, and not open in the programs that are started.
PLAIN: Final = getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
#: For a file that somebody else laid down: no link is followed, no pipe is waited for.
FOREIGN: Final = PLAIN | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)


def lock_against_writers(descriptor: int) -> bool:
    """Take a lock that readers share, until the file is closed; False when somebody writes."""
    return _try_to_lock(descriptor, "LOCK_SH")


def is_open_elsewhere(path: Path) -> bool:
    """Say whether another program has the file open and locked, as DuckDB does with its own."""
    try:
        descriptor = os.open(path, os.O_RDWR | PLAIN)
    except OSError:
        return True
    try:
        return not _try_to_lock(descriptor, "LOCK_EX")
    finally:
        os.close(descriptor)


def has_writer(descriptor: int) -> bool:
    """Ask for a lease on a file that is open for reading: nobody gets one beside a writer.

    Where there are no leases the answer is no.
    """
    if _LOCKS is None or not hasattr(_LOCKS, "F_SETLEASE"):
        return False
    try:
        # Who opens the file for writing just now makes the system send a signal: one that nobody
        # minds, for that of old ends the program.
        _LOCKS.fcntl(descriptor, _LOCKS.F_SETSIG, signal.SIGURG)
        _LOCKS.fcntl(descriptor, _LOCKS.F_SETLEASE, _LOCKS.F_RDLCK)
        _LOCKS.fcntl(descriptor, _LOCKS.F_SETLEASE, _LOCKS.F_UNLCK)
    except OSError as error:
        # Any other number means that files there know no leases.
        return error.errno == errno.EAGAIN
    return False


def _try_to_lock(descriptor: int, kind: str) -> bool:
    if _LOCKS is None:
        return True
    try:
        _LOCKS.lockf(descriptor, getattr(_LOCKS, kind) | _LOCKS.LOCK_NB)
    except OSError:
        return False
    return True
