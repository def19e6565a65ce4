"""A home in a temporary folder, and the default settings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from config.home import Home
from config.settings import Settings, load_settings

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def home(tmp_path: Path) -> Home:
    made = Home(tmp_path / "home")
    made.create()
    return made


@pytest.fixture
def settings() -> Settings:
    return load_settings()
