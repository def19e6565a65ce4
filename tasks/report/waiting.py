"""What waits in the inbox."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path


def list_waiting(inbox: Path) -> tuple[str, ...]:
    """Give the names of the files in the inbox, sorted; hidden ones are still being written."""
    if not inbox.is_dir():
        return ()
    paths = (path.relative_to(inbox) for path in inbox.rglob("*") if path.is_file())
    return tuple(
        sorted(
            path.as_posix()
            for path in paths
            if not any(part.startswith(".") for part in path.parts)
        )
    )
