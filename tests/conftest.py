"""Settings of all tests."""

from __future__ import annotations

import os

import pytest
from hypothesis import settings

from tests.tiers import FULL_VARIABLE, is_full

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


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what is for the full run."""
    if not is_full():
        left_out = [item for item in items if item.get_closest_marker("full")]
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item not in left_out]


@pytest.fixture(autouse=True)
def no_width_of_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """Processes that run tests side by side are told a width; a test without one has none."""
    monkeypatch.delenv("COLUMNS", raising=False)
