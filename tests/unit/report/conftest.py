"""A home with one ride, made once for all tests of the report that write files."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

from tasks.store import connect_for_reading
from tests.unit.report_home import RIDE, build_home

if TYPE_CHECKING:
    import duckdb

    from config.home import Home


@pytest.fixture(scope="session")
def home(tmp_path_factory: pytest.TempPathFactory) -> Home:
    return build_home(tmp_path_factory.mktemp("home"), RIDE)


@pytest.fixture
def connection(home: Home) -> Iterator[duckdb.DuckDBPyConnection]:
    connection = connect_for_reading(home)
    yield connection
    connection.close()
