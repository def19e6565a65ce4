"""A home with a swim, made once for all tests of the package that read tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.unit.report_home import POOL, build_home

if TYPE_CHECKING:
    from config.home import Home


@pytest.fixture(scope="session")
def home(tmp_path_factory: pytest.TempPathFactory) -> Home:
    return build_home(tmp_path_factory.mktemp("home"), POOL)
