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

    Nobody may change what is in it. What a process could not make is made by the next one.
    """
    base = factory.getbasetemp()
    if os.environ.get("PYTEST_XDIST_WORKER"):
        # Beside the folders of all the processes of this run.
        base = base.parent
    # Made where it stays: the views of a home name its folder.
    folder, made = base / f"shared-{name}", base / f"shared-{name}.made"
    with FileLock(base / f"shared-{name}.lock"):
        if not made.exists():
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir()
            make(folder)
            made.touch()
    return folder
