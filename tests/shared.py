"""What is made once in a run of the tests, however many processes run them."""

from __future__ import annotations

import os
import shutil
from typing import TYPE_CHECKING

from filelock import FileLock

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import pytest


def share_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], None]) -> Path:
    """Return a folder that `make` filled, in this process or in another one of the same run.

    Nobody may change what is in it. A process that cannot make it leaves nothing behind.
    """
    base = factory.getbasetemp()
    if os.environ.get("PYTEST_XDIST_WORKER"):
        # Beside the folders of all the processes of this run.
        base = base.parent
    folder = base / f"shared-{name}"
    with FileLock(base / f"shared-{name}.lock"):
        if not folder.exists():
            making = base / f"making-{name}"
            shutil.rmtree(making, ignore_errors=True)
            making.mkdir()
            make(making)
            making.rename(folder)
    return folder
