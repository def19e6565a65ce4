"""Writes report files whole or not at all, and only where they differ."""

from __future__ import annotations

import contextlib
import os
import re
import secrets
import time
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from pathlib import Path

_KEY: Final = re.compile(r'<meta name="coworn-key" content="([^"]*)">')
_HEAD_BYTES: Final = 2048
#: Every page has this in its head, and hardly any page of somebody else's.
_OUR_MARK: Final = "shared/report.css"
#: What a report's folder holds.
_PARTS: Final = ("index.html", "workouts", "devices", "months", "figures", "shared")
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
    """Return the key of what a page was made from, None when there is no such page."""
    found = _KEY.search(_read_head(path))
    return found[1] if found else None


def is_ours(path: Path) -> bool:
    """Say whether `path` is a page that was written here, not one that a person put there."""
    return _OUR_MARK in _read_head(path)


def find_foreign(folder: Path) -> str | None:
    """Return a name in `folder` that a report would write over though it is somebody else's."""
    if is_ours(folder / "index.html"):
        return None
    return next((name for name in _PARTS if os.path.lexists(folder / name)), None)


def _read_head(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return file.read(_HEAD_BYTES).decode(errors="replace")
    except (FileNotFoundError, NotADirectoryError, IsADirectoryError):
        return ""
