"""Making names durable: a renamed file is safe only when its folder is on the disk, too."""

from __future__ import annotations

import os
import uuid
from typing import TYPE_CHECKING

from tasks.core.file_locks import PLAIN

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


def sync_folder(folder: Path) -> None:
    """Write the names in `folder` to the disk where the system can (Windows opens no folders)."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY | PLAIN)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def replace_text(path: Path, text: str, *, check: Callable[[Path], object] | None = None) -> None:
    """Put `text` in the place of what `path` says, in one step: a kill leaves one of them whole.

    `check` reads the new file first; what it raises leaves everything as it was.
    """
    path = path.resolve()
    beside = path.with_name(f".{path.name}-{uuid.uuid4().hex}")
    try:
        with beside.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        if check is not None:
            check(beside)
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
    sync_folder(path.parent)
