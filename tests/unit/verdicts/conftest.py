"""A store without workouts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from config.home import Home
from tasks.core.discovery import load_metrics
from tests.unit.verdicts.workouts import Store

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def store(tmp_path: Path) -> Store:
    load_metrics()
    home = Home(tmp_path / "home")
    home.create()
    return Store(home)
