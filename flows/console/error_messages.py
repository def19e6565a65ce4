"""Troubles of the machine in one line with a remedy: a full disk, missing rights and the like."""

from __future__ import annotations

import errno
import os
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tasks.ingest.exports import FileOutcome

_REMEDIES: Final = {
    errno.ENOSPC: "the disk is full; make room and run it again",
    errno.EDQUOT: "your share of the disk is used up; make room and run it again",
    errno.EROFS: "the disk is read-only; mount it for writing, or choose another --home",
    errno.EACCES: "you have no right to do that; give it to yourself, or choose another --home",
    errno.EPERM: "you have no right to do that; give it to yourself, or choose another --home",
    errno.EMFILE: "this program may open no more files; raise the limit (ulimit -n)",
    errno.ENFILE: "the machine may open no more files; close other programs and run it again",
    errno.EIO: "the disk or drive does not answer; check it and run it again",
}

#: What DuckDB says of a file that was cut or written over.
_DAMAGES: Final = (
    "Could not read enough bytes",
    "not a valid DuckDB database file",
    "Corrupt database file",
    "checksum",
    "database has been invalidated",
)


def explain_os_error(error: BaseException) -> str | None:
    """Say in one line what the machine lacks and what to do; None for an error of another kind.

    Whatever was dropped stays where it is: the files are taken when the trouble is over.
    """
    if isinstance(error, OSError) and error.errno in _REMEDIES:
        where = "" if error.filename is None else f"{os.fsdecode(error.filename)}: "
        return f"{where}{_REMEDIES[error.errno]}"
    if type(error).__module__.partition(".")[0] in {"duckdb", "_duckdb"}:
        # DuckDB gives the system's words, but not its number.
        lines = str(error).splitlines() or [""]
        for number, remedy in _REMEDIES.items():
            if os.strerror(number) in lines[0]:
                return f"{lines[0]}; {remedy}"
        if any(words in lines[0] for words in _DAMAGES):
            return f"the results cannot be read ({lines[0]}); run coworn repair"
    return None


class RepeatedErrors:
    """Troubles that a watcher meets again and again for as long as they last.

    Each is worth telling when it begins, and once more when it comes back after it was over.
    """

    def __init__(self) -> None:
        self._of_drops: str | None = None
        self._of_files: dict[str, FileOutcome] = {}

    def is_new(self, trouble: str) -> bool:
        """Say whether a drop that failed failed for another reason than the one before it."""
        is_new = trouble != self._of_drops
        self._of_drops = trouble
        return is_new

    def pick_new(self, outcomes: Sequence[FileOutcome]) -> tuple[FileOutcome, ...]:
        """Return the outcomes of a drop that was done, without failures that were given before."""
        self._of_drops = None
        new = tuple(one for one in outcomes if self._of_files.get(one.name) != one)
        for one in outcomes:
            self._of_files.pop(one.name, None)
        self._of_files.update({one.name: one for one in outcomes if one.status == "failed"})
        return new
