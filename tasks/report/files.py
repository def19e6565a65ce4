"""Writes report files whole or not at all, and only where they differ."""

from __future__ import annotations

import contextlib
import re
import secrets
import time
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from pathlib import Path

_KEY: Final = re.compile(r'<meta name="coworn-key" content="([^"]*)">')
_HEAD_BYTES: Final = 2048
#: No file is in the making for so long [s].
DEAD_AFTER_S: Final = 3600.0


def write_if_changed(path: Path, content: str | bytes) -> bool:
    """Write `content` unless the file holds it already; say whether it was written."""
    new = content.encode() if isinstance(content, str) else content
    if path.exists() and path.read_bytes() == new:
        return False
    path.parent.mkdir(parents=True, exist_ok=True)
    building = path.parent / f".{path.name}.{secrets.token_hex(4)}.building"
    try:
        building.write_bytes(new)
        building.replace(path)
    except BaseException:
        building.unlink(missing_ok=True)
        raise
    return True


def sweep_unfinished(folder: Path, *, dead_after_s: float = DEAD_AFTER_S) -> None:
    """Remove files in the making that a killed run left, when they are older than `dead_after_s`.

    A younger one may be another run's that is being written.
    """
    for path in folder.rglob(".*.building"):
        with contextlib.suppress(FileNotFoundError):
            if time.time() - path.stat().st_mtime >= dead_after_s:
                path.unlink()


def read_key(path: Path) -> str | None:
    """Give the key of what a page was made from, None when there is no such page."""
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES).decode(errors="replace")
    except FileNotFoundError:
        return None
    found = _KEY.search(head)
    return found[1] if found else None
