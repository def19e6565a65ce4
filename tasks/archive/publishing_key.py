"""The home's secret that draws what is hidden in what is published, and how its ids are written.

It is drawn once. Another one would hide another circle: two of them tell more than one.
"""

from __future__ import annotations

import os
import re
import secrets
import uuid
from typing import TYPE_CHECKING, Final

from tasks.core.durable import sync_folder
from tasks.core.errors import CowornError

if TYPE_CHECKING:
    from pathlib import Path

    from config.home import Home

NAME: Final = "publishing.key"
_BYTES: Final = 32
_WRITTEN: Final = re.compile(rf"[0-9a-f]{{{2 * _BYTES}}}\n?")


def load_publishing_key(home: Home) -> bytes:
    """Return the home's secret; draw it when there is none, neither in `state/` nor in `backups/`.

    Two programs that ask at once get the same one. Raises: CowornError for a damaged one.
    """
    places = (home.state / NAME, home.backups / NAME)
    # Looked at before they are read: another program may write one in between.
    there = [path.exists() for path in places]
    found = [_read(path) for path in places]
    key = next((one for one in found if one is not None), None)
    if key is None:
        damaged = next(
            (path for path, is_there in zip(places, there, strict=True) if is_there), None
        )
        if damaged is not None:
            raise CowornError(
                f"{damaged}: the secret that hides private places is damaged; restore this file. "
                "If it is lost for good, remove it: another one is drawn, and what is published "
                "then hides another circle"
            )
        key = _write(places[0], secrets.token_bytes(_BYTES))
    for path, known, is_there in zip(places, found, there, strict=True):
        if known is None:
            _write(path, key, over=is_there)
    return key


def _read(path: Path) -> bytes | None:
    try:
        text = path.read_text(encoding="ascii")
    except (FileNotFoundError, UnicodeDecodeError):
        return None
    return bytes.fromhex(text.strip()) if _WRITTEN.fullmatch(text) else None


def _write(path: Path, key: bytes, *, over: bool = False) -> bytes:
    """Write the key where there is none, or `over` a damaged one; return the one that is there."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    building = path.with_name(f".{uuid.uuid4().hex}.building")
    try:
        descriptor = os.open(building, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with open(descriptor, "w", encoding="ascii") as file:  # noqa: PTH123 - a descriptor
            file.write(f"{key.hex()}\n")
            file.flush()
            os.fsync(file.fileno())
        if over:
            building.replace(path)
        else:
            _claim(building, path)
        sync_folder(path.parent)
    finally:
        building.unlink(missing_ok=True)
    return _read(path) or key


def _claim(building: Path, path: Path) -> None:
    try:
        os.link(building, path)
    except FileExistsError:
        pass
    except OSError:  # a disk without hard links
        if not path.exists():
            building.rename(path)
