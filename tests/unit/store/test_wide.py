"""The wide tables say what the views' queries say, whoever changed the store."""

from __future__ import annotations

from typing import TYPE_CHECKING

import duckdb

from tasks.core import registers
from tasks.core.registers import METRICS, Value, metric
from tasks.store import delete_recordings, delete_rows, open_store, publish, replace_rows
from tasks.store.views import build_views
from tasks.store.wide import MARKS_TABLE, renew_wide
from tasks.tables.arrow import make_rows
from tasks.tables.tables import RECORDINGS, SETUPS
from tests.unit.store.rows import make_devices, make_workouts, measure

if TYPE_CHECKING:
    import pytest

    from config.home import Home
    from config.settings import Settings


def find_differences(home: Home, settings: Settings) -> dict[str, tuple[int, int]]:
    """Publish; return rows that only the table has, and only the query gives, where there are any.

    A table without a row that another test would fill says nothing: the first one must have some.
    """
    publish(home, settings)
    found = {}
    with duckdb.connect(str(home.results), read_only=True) as connection:
        for view in build_views(home.lake):
            if not view.is_table:
                continue
            columns = ", ".join(f'"{name}"' for name, _ in view.comments)
            table = f"SELECT {columns} FROM {view.name}"  # noqa: S608 - declared names
            differing = (
                count_missing(connection, table, view.query),
                count_missing(connection, view.query, table),
            )
            if any(differing):
                found[view.name] = differing
        n_rows = connection.execute("SELECT count(*) FROM heart_rate").fetchall()[0][0]
    assert n_rows
    return found


def count_missing(connection: duckdb.DuckDBPyConnection, one: str, other: str) -> int:
    """Return how many rows of `one` the query `other` does not give."""
    query = f"SELECT count(*) FROM ({one} EXCEPT ALL ({other}))"  # noqa: S608 - declared names
    return int(connection.execute(query).fetchall()[0][0])


def count_done(home: Home) -> int:
    with open_store(home) as connection:
        return renew_wide(connection)


def set_up(home: Home, value: str) -> None:
    with open_store(home) as connection:
        setup = {"workout_id": "w1", "device_id": "alder-2", "key": "wrist", "value": value}
        replace_rows(connection, SETUPS, make_rows(SETUPS, [setup]))


def test_tables_follow_every_change_of_what_they_show(home: Home, settings: Settings) -> None:
    for workout_id in ("w1", "w2", "w3"):
        measure(home, workout_id)
    assert find_differences(home, settings) == {}
    measure(home, "w2", "r2", value=9.0)
    assert find_differences(home, settings) == {}
    set_up(home, "left")
    assert find_differences(home, settings) == {}
    with open_store(home) as connection:
        recording = {"recording_id": "w1-a", "workout_id": "w1", "device_id": "alder-2"}
        rows = make_rows(RECORDINGS, [{**recording, "firmware": "7.10"}])
        replace_rows(connection, RECORDINGS, rows)
        replace_rows(connection, "devices", make_devices("alder-2", name="Alder two"))
    assert find_differences(home, settings) == {}
    with open_store(home) as connection:
        replace_rows(connection, "workouts", make_workouts("w1", "w3"), where={})
        delete_rows(connection, SETUPS, where={"workout_id": ["w1"]})
    assert find_differences(home, settings) == {}


def test_only_touched_workouts_are_made_anew(home: Home) -> None:
    for workout_id in ("w1", "w2", "w3"):
        measure(home, workout_id)
    assert count_done(home) == 3
    assert count_done(home) == 0
    measure(home, "w2", "r2", value=9.0)
    assert count_done(home) == 1
    set_up(home, "left")
    assert count_done(home) == 1
    set_up(home, "left")
    assert count_done(home) == 0


def test_what_was_forgotten_is_in_no_table(home: Home, settings: Settings) -> None:
    measure(home, "w1")
    measure(home, "w2")
    publish(home, settings)
    delete_recordings(home, ["w1-a"], file_ids=[], workouts=["w1"], wait_s=1.0)
    assert find_differences(home, settings) == {}
    with duckdb.connect(str(home.results), read_only=True) as connection:
        left = connection.execute("SELECT DISTINCT workout_id FROM heart_rate").fetchall()
    assert left == [("w2",)]


def test_a_new_metric_makes_all_tables_anew(home: Home, settings: Settings) -> None:
    measure(home, "w1")
    assert find_differences(home, settings) == {}
    metric(
        "heart_rate",
        title="Made up",
        unit="m",
        definition="A value that only this test knows.",
        formula="m",
        better="none",
        source="this test",
        examples=(),
    )(made_up_of_the_wide_tables_m)
    try:
        assert find_differences(home, settings) == {}
        with duckdb.connect(str(home.results), read_only=True) as connection:
            connection.execute("SELECT made_up_of_the_wide_tables_m FROM heart_rate")
    finally:
        del registers.METRICS["made_up_of_the_wide_tables_m"]
    assert "made_up_of_the_wide_tables_m" not in METRICS


def made_up_of_the_wide_tables_m(case: object) -> Value:
    return Value(None, reason=f"nothing is known of {case}")


def test_a_table_that_somebody_dropped_is_made_again(home: Home, settings: Settings) -> None:
    measure(home, "w1")
    publish(home, settings)
    with open_store(home) as connection:
        connection.execute("DROP TABLE heart_rate")
    assert find_differences(home, settings) == {}


def test_many_workouts_are_done_in_parts(
    home: Home, settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tasks.store.wide._TOGETHER", 2)
    for number in range(5):
        measure(home, f"w{number}")
    assert find_differences(home, settings) == {}


def test_marks_are_not_published(home: Home, settings: Settings) -> None:
    measure(home, "w1")
    publish(home, settings)
    with duckdb.connect(str(home.results), read_only=True) as connection:
        names = connection.execute("SELECT table_name FROM duckdb_tables()").fetchall()
    assert ("heart_rate",) in names
    assert (MARKS_TABLE,) not in names
