"""How much memory a process holds for itself, on the systems that say so."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from typing import Final

_PROCESSES: Final = Path("/proc")
_PS: Final = shutil.which("ps")
_PS_TIMEOUT_S: Final = 5.0


def measure_memory(pid: int) -> int | None:
    """Return what process `pid` holds [byte]; None when the system does not say.

    On Linux its private memory, which is what the system counts against RLIMIT_DATA; elsewhere
    what is resident of it.
    """
    try:
        facts = (_PROCESSES / str(pid) / "status").read_text(encoding="ascii", errors="replace")
    except OSError:
        return _ask_ps(pid)
    found = re.search(r"VmData:\s+(\d+) kB", facts)
    return int(found.group(1)) * 1024 if found else None


def _ask_ps(pid: int) -> int | None:
    """Ask the program that POSIX promises; it says kB."""
    if _PS is None:
        return None
    try:
        said = subprocess.run(  # noqa: S603 - the system's own
            [_PS, "-o", "rss=", "-p", str(pid)],
            capture_output=True,
            text=True,
            check=False,
            timeout=_PS_TIMEOUT_S,
        )
    except (OSError, subprocess.TimeoutExpired):
        return None
    return int(said.stdout) * 1024 if said.stdout.strip().isdigit() else None
