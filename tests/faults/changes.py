"""Kills a process right before a change of files, the number of which is given.

Python tells of changes through its audit hook, so that no part of the product knows. Run as
`python -m tests.faults.changes KILL_AT ROOT WORDS...`, this is the command `coworn WORDS...` on
the home ROOT, killed by itself before change number KILL_AT (0: never); at its end it says on
stderr how many changes it made.
"""

from __future__ import annotations

import os
import signal
import sys
from typing import Final

from flows.cli import main as run_command

#: Audit events of Python that change files.
CHANGES: Final = frozenset(
    {"os.chmod", "os.link", "os.mkdir", "os.remove", "os.rename", "os.rmdir", "os.symlink"}
)


class Changes:
    """Counts the changes of files below `root`; kills this process right before number `kill_at`.

    Renames, removals, links, new folders and files opened for writing count, whoever asks for
    them in Python; what a library does by itself in native code does not.
    """

    def __init__(self, root: str, kill_at: int) -> None:
        self.number = 0
        self._root = root
        self._kill_at = kill_at
        sys.addaudithook(self._hear)

    def _hear(self, event: str, arguments: tuple[object, ...]) -> None:
        if event == "open":
            flags = arguments[2]
            is_change = isinstance(flags, int) and bool(flags & (os.O_WRONLY | os.O_RDWR))
            words = arguments[:1]
        else:
            is_change = event in CHANGES
            words = arguments
        if is_change and any(str(word).startswith(self._root) for word in words):
            self.number += 1
            if self.number == self._kill_at:
                os.kill(os.getpid(), signal.SIGKILL)


def main() -> int:
    """Be the command."""
    kill_at, root, *words = sys.argv[1:]
    changes = Changes(root, int(kill_at))
    sys.argv = ["coworn", *words]
    code = run_command([*words, "--home", root])
    sys.stderr.write(f"changes {changes.number}\n")
    return code


if __name__ == "__main__":
    sys.exit(main())
