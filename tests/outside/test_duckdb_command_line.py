"""The registry's DuckDB command line, an older release than ours, reads what we publish."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from config.home import Home
from config.settings import load_settings
from tasks.store import backup, publish
from tasks.tables.arrow import make_table
from tasks.tables.tables import SAMPLES
from tests.unit.store.rows import NOON, measure

RegistryArchive = Callable[..., Path]


@pytest.fixture(scope="module")
def command_line(registry_archive: RegistryArchive) -> Path:
    folder = registry_archive("duckdb-cli==1.5.6", kind="wheel")
    program: Path = next(path for path in folder.rglob("duckdb*") if is_program(path))
    program.chmod(0o755)
    return program


def is_program(path: Path) -> bool:
    return path.is_file() and path.name in ("duckdb", "duckdb.exe")


@pytest.fixture
def home(tmp_path: Path) -> Home:
    made = Home(tmp_path / "home")
    made.create()
    measure(made)
    folder = made.lake / "samples" / "recording_id=w1-a"
    folder.mkdir(parents=True)
    columns = {"time_utc": [NOON], "heart_rate_bpm": [61.0]}
    pq.write_table(make_table(SAMPLES, columns), folder / "samples.parquet")
    publish(made, load_settings())
    return made


def ask(program: Path, database: Path, sql: str) -> list[dict[str, Any]]:
    done = subprocess.run(
        [str(program), "-readonly", "-json", str(database), sql],
        capture_output=True,
        text=True,
        check=True,
    )
    answer: list[dict[str, Any]] = json.loads(done.stdout)
    return answer


@pytest.mark.parametrize(
    ("sql", "wanted"),
    [
        ("SELECT count(*) AS n FROM latest_results", {"n": 2}),
        ("SELECT device_name, hr_bias_bpm FROM heart_rate", {"device_name": "Alder-2"}),
        ("SELECT recording_id, heart_rate_bpm FROM samples", {"heart_rate_bpm": 61.0}),
        ("SELECT count(*) AS n FROM latest_verdicts", {"n": 0}),
    ],
)
def test_tables_and_views_are_read_through_the_link(
    command_line: Path, home: Home, sql: str, wanted: dict[str, Any]
) -> None:
    [found] = ask(command_line, home.results, sql)
    assert found | wanted == found


def test_a_backup_is_read_too(command_line: Path, home: Home) -> None:
    made = backup(home, load_settings(), now=datetime(2026, 5, 2, tzinfo=UTC))
    assert ask(command_line, made.store, "SELECT count(*) AS n FROM results") == [{"n": 2}]
