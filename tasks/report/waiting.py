"""What waits in the inbox."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tasks.core.folders import scan_folder

if TYPE_CHECKING:
    from pathlib import Path


def list_waiting(inbox: Path) -> tuple[str, ...]:
    """Return the names of the files in the inbox, sorted; temporary ones are still on their way."""
    return tuple(sorted(path.relative_to(inbox).as_posix() for path in scan_folder(inbox)))
