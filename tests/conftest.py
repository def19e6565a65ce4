"""Settings of all tests."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from hypothesis import settings

from tests.tiers import FULL_VARIABLE

if TYPE_CHECKING:
    import pytest

# A busy machine is no failing law: examples have no deadline, the whole test has pytest's.
settings.register_profile("short", deadline=None, derandomize=True, database=None)
settings.register_profile("full", deadline=None, print_blob=True)


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--full", action="store_true", help="the full statistics: every seed, every kill"
    )


def pytest_configure(config: pytest.Config) -> None:
    """Set the size before any test is imported, for the processes that tests start as well."""
    if config.getoption("--full"):
        os.environ[FULL_VARIABLE] = "1"
    settings.load_profile("full" if os.environ.get(FULL_VARIABLE) == "1" else "short")
