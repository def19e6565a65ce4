"""Which verdicts a run changed."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import duckdb
import pytest

from tasks.store.ddl import create_tables
from tasks.verdicts.changes import read_changes

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture
def connection() -> Iterator[duckdb.DuckDBPyConnection]:
    with duckdb.connect() as made:
        create_tables(made)
        for number in range(1, 4):
            made.execute(
                "INSERT INTO runs (run_id, started_at, flow, status) VALUES (?, ?, 'drop', 'done')",
                [f"run-{number}", datetime(2026, 5, number, tzinfo=UTC)],
            )
        yield made


def tell(connection: duckdb.DuckDBPyConnection, run: str, metric: str, verdict: str) -> None:
    connection.execute(
        "INSERT INTO verdicts (run_id, device_id, against, family, activity, segment, metric, "
        "n_workouts, is_primary, is_named, verdict) "
        "VALUES (?, 'alder-2', 'alder-1', 'headline', 'running', 'all', ?, 5, true, true, ?)",
        [run, metric, verdict],
    )


def test_only_what_differs_from_the_answer_before_is_a_change(
    connection: duckdb.DuckDBPyConnection,
) -> None:
    tell(connection, "run-1", "hr_mae_bpm", "unclear")
    tell(connection, "run-1", "hr_lock_s", "too few")
    tell(connection, "run-2", "hr_mae_bpm", "better")
    tell(connection, "run-2", "hr_lock_s", "too few")
    tell(connection, "run-3", "hr_mae_bpm", "better")
    tell(connection, "run-3", "hr_lock_s", "worse")
    first, second, third = (read_changes(connection, f"run-{n}") for n in (1, 2, 3))
    assert [(one["metric"], one["before"], one["verdict"]) for one in first] == [
        ("hr_mae_bpm", None, "unclear")
    ]
    assert [(one["metric"], one["before"], one["verdict"]) for one in second] == [
        ("hr_mae_bpm", "unclear", "better")
    ]
    assert [(one["metric"], one["before"], one["verdict"]) for one in third] == [
        ("hr_lock_s", "too few", "worse")
    ]


def test_a_change_holds_no_value_that_was_measured(connection: duckdb.DuckDBPyConnection) -> None:
    tell(connection, "run-1", "hr_mae_bpm", "better")
    (change,) = read_changes(connection, "run-1")
    numbers = {key for key, value in change.items() if isinstance(value, (int, float))}
    assert numbers == {"workouts", "is_primary"}
