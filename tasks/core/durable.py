"""Making names durable: a renamed file is safe only when its folder is on the disk, too."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path


def sync_folder(folder: Path) -> None:
    """Write the names in `folder` to the disk where the system can (Windows opens no folders)."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
