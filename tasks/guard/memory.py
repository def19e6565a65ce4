"""How much memory a process holds for itself."""

from __future__ import annotations

from typing import Final

import psutil

#: What psutil calls memory that is the process's own, where the system says so: on Linux, where the
#: system counts it against RLIMIT_DATA, and on Windows. Elsewhere it is what is resident.
_PRIVATE: Final = ("data", "private")


def measure_memory(pid: int) -> int | None:
    """Return what process `pid` holds [byte]; None when the system does not say."""
    try:
        facts = psutil.Process(pid).memory_info()
    except psutil.Error:
        return None
    said = (getattr(facts, name, None) for name in (*_PRIVATE, "rss"))
    return next((int(held) for held in said if held is not None), None)
