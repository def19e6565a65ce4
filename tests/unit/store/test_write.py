"""Writing into the store: only what differs is touched, and nothing is appended twice."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from itertools import product
from typing import TYPE_CHECKING

import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from tasks.store import (
    append_if_changed,
    append_rows,
    delete_rows,
    find_newest_run,
    open_store,
    read_store,
    replace_rows,
)
from tasks.tables.arrow import make_empty, make_rows
from tasks.tables.tables import FINDINGS, RESULTS, RUNS, SEGMENTS, SETUPS, STORE_TABLES, WORKOUTS
from tests.unit.store.rows import (
    NOON,
    make_devices,
    make_findings,
    make_results,
    make_workouts,
    measure,
)

if TYPE_CHECKING:
    from config.home import Home


def count(home: Home, table: str) -> int:
    with read_store(home) as connection:
        return int(connection.execute(f"SELECT count(*) FROM {table}").fetchall()[0][0])  # noqa: S608


# --- replace ----------------------------------------------------------------------------------
def test_rows_with_a_known_key_are_replaced_and_others_are_added(home: Home) -> None:
    with open_store(home) as connection:
        assert replace_rows(connection, WORKOUTS, make_workouts("w1", "w2")) == 2
    with open_store(home) as connection:
        assert replace_rows(connection, WORKOUTS, make_workouts("w2", "w3", place="pool")) == 2
    with read_store(home) as connection:
        found = connection.execute("SELECT workout_id, place FROM workouts ORDER BY 1").fetchall()
    assert found == [("w1", None), ("w2", "pool"), ("w3", "pool")]


def test_rows_that_are_the_same_leave_the_file_untouched(home: Home) -> None:
    with open_store(home) as connection:
        replace_rows(connection, "workouts", make_workouts("w1"))
    before = home.store.stat()
    with open_store(home) as connection:
        assert replace_rows(connection, "workouts", make_workouts("w1")) == 0
    after = home.store.stat()
    assert (before.st_mtime_ns, before.st_size) == (after.st_mtime_ns, after.st_size)


def test_the_same_key_can_be_written_twice_in_one_transaction(home: Home) -> None:
    with open_store(home) as connection:
        replace_rows(connection, "workouts", make_workouts("w1", place="pool"))
        replace_rows(connection, "workouts", make_workouts("w1", place="gym"), where={})
        delete_rows(connection, "workouts", where={"workout_id": ["w1"]})
        replace_rows(connection, "workouts", make_workouts("w1", place="track"))
        assert connection.execute("SELECT place FROM workouts").fetchall() == [("track",)]


def test_where_removes_what_is_no_longer_given_and_nothing_else(home: Home) -> None:
    setups = make_rows(
        SETUPS,
        [
            {"workout_id": workout, "device_id": "alder", "key": key, "value": "x"}
            for workout, key in product(("w1", "w2"), ("band", "wrist"))
        ],
    )
    with open_store(home) as connection:
        replace_rows(connection, SETUPS, setups)
        kept = setups.slice(0, 1)
        assert replace_rows(connection, SETUPS, kept, where={"workout_id": ["w1"]}) == 1
        assert connection.execute("SELECT workout_id, key FROM setups ORDER BY ALL").fetchall() == [
            ("w1", "band"),
            ("w2", "band"),
            ("w2", "wrist"),
        ]
        assert replace_rows(connection, SETUPS, make_empty(SETUPS), where={}) == 3


def test_a_where_without_values_removes_nothing(home: Home) -> None:
    with open_store(home) as connection:
        replace_rows(connection, "workouts", make_workouts("w1"))
        assert delete_rows(connection, "workouts", where={"workout_id": []}) == 0
        assert (
            replace_rows(connection, WORKOUTS, make_empty(WORKOUTS), where={"workout_id": []}) == 0
        )
        assert connection.execute("SELECT workout_id FROM workouts").fetchall() == [("w1",)]


def test_doubled_keys_are_an_error_that_names_the_key(home: Home) -> None:
    with open_store(home) as connection, pytest.raises(ValueError, match="device_id"):
        replace_rows(connection, "devices", make_devices("alder", "alder"))


def test_names_with_quotes_and_statements_in_them_are_only_text(home: Home) -> None:
    evil = "x'); DROP TABLE workouts; --\""
    with open_store(home) as connection:
        replace_rows(connection, "devices", make_devices(evil))
        assert delete_rows(connection, "devices", where={"device_id": [evil]}) == 1
        assert connection.execute("SELECT count(*) FROM workouts").fetchall() == [(0,)]


@pytest.mark.parametrize("table", [table for table in STORE_TABLES if table.growth == "append"])
def test_append_only_tables_are_never_replaced_nor_cut(home: Home, table: object) -> None:
    with open_store(home) as connection:
        with pytest.raises(ValueError, match="never"):
            replace_rows(connection, table, make_empty(table))  # type: ignore[arg-type]
        with pytest.raises(ValueError, match="never"):
            delete_rows(connection, table, where={})  # type: ignore[arg-type]


def test_tables_whose_rows_are_replaced_are_never_appended_to(home: Home) -> None:
    with open_store(home) as connection, pytest.raises(ValueError, match="replaced"):
        append_rows(connection, WORKOUTS, make_workouts("w1"))


# --- checks on write --------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("spoil", "named"),
    [
        (lambda rows: rows.drop_columns(["value"]), "value"),
        (
            lambda rows: rows.append_column("extra", pa.nulls(rows.num_rows)),
            f"{len(RESULTS.columns) + 1} columns",
        ),
        (lambda rows: rows.select(rows.column_names[::-1]), "run_id"),
        (
            lambda rows: rows.set_column(9, "value", pa.array(["1", "2"])),
            r"value \(double\), found value \(string\)",
        ),
    ],
)
def test_rows_of_another_schema_are_refused(
    home: Home, spoil: Callable[[pa.Table], pa.Table], named: str
) -> None:
    with open_store(home) as connection, pytest.raises(ValueError, match=named):
        append_rows(connection, RESULTS, spoil(make_results()))
    assert count(home, "results") == 0


def test_an_unknown_table_or_column_is_an_error(home: Home) -> None:
    with open_store(home) as connection:
        with pytest.raises(ValueError, match="no table 'nothing'"):
            append_rows(connection, "nothing", make_results())
        with pytest.raises(ValueError, match="no table 'samples'"):
            append_rows(connection, "samples", make_results())
        with pytest.raises(ValueError, match="no column colour"):
            delete_rows(connection, "workouts", where={"colour": ["red"]})


def test_an_error_in_the_block_undoes_everything(home: Home) -> None:
    def fail(home: Home) -> None:
        with open_store(home) as connection:
            replace_rows(connection, "workouts", make_workouts("w1"))
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        fail(home)
    assert count(home, "workouts") == 0


# --- append if changed ------------------------------------------------------------------------
def test_equal_results_of_a_later_run_append_nothing(home: Home) -> None:
    assert measure(home, run_id="r1")
    assert not measure(home, run_id="r2", computed_at=NOON + timedelta(days=1))
    assert count(home, "results") == 2
    assert count(home, "findings") == 1
    assert count(home, "measurements") == 1


def test_the_order_of_rows_makes_no_difference(home: Home) -> None:
    measure(home)
    with open_store(home) as connection:
        assert not append_if_changed(
            connection,
            workout_id="w1",
            run_id="r2",
            results=make_results(run_id="r2").take([1, 0]),
            findings=make_findings(run_id="r2"),
        )


@pytest.mark.parametrize(
    "change",
    [
        {"value": 0.3},  # one bit away from 0.1 + 0.2
        {"value": None},
        {"reference": None},
        {"segment": "after_lock"},
        {"metric_version": 2},
        {"ci_low": 0.0},
        {"reason": ""},
        {"recording_id": "w1-b"},
    ],
    ids=str,
)
def test_any_difference_appends_the_whole_measurement(
    home: Home, change: dict[str, object]
) -> None:
    measure(home, run_id="r1")
    assert measure(home, run_id="r2", **change)
    assert count(home, "results") == 4
    assert count(home, "findings") == 2


def test_going_back_to_older_values_is_a_change_too(home: Home) -> None:
    measure(home, run_id="r1", value=1.0)
    measure(home, run_id="r2", value=2.0)
    assert measure(home, run_id="r3", value=1.0)
    with read_store(home) as connection:
        assert find_newest_run(connection, "w1") == "r3"
        assert find_newest_run(connection, "w9") is None


def test_one_finding_more_or_less_of_the_same_is_a_change(home: Home) -> None:
    def store(run_id: str, n: int) -> bool:
        with open_store(home) as connection:
            return append_if_changed(
                connection,
                workout_id="w1",
                run_id=run_id,
                results=make_results(run_id=run_id),
                findings=make_findings(run_id=run_id, n=n),
            )

    assert store("r1", 2)
    assert store("r2", 1)
    assert store("r3", 2)
    assert not store("r4", 2)


def test_a_measurement_without_any_row_makes_the_older_ones_outdated(home: Home) -> None:
    measure(home, run_id="r1")
    with open_store(home) as connection:
        assert append_if_changed(
            connection,
            workout_id="w1",
            run_id="r2",
            results=make_empty(RESULTS),
            findings=make_empty(FINDINGS),
        )
        assert connection.execute("FROM latest_results").fetchall() == []
        assert connection.execute("FROM latest_findings").fetchall() == []


def test_other_workouts_of_the_same_run_do_not_matter(home: Home) -> None:
    assert measure(home, "w1", "r1")
    assert measure(home, "w2", "r1")
    assert not measure(home, "w1", "r2")


def test_a_run_that_is_repeated_after_its_commit_appends_nothing(home: Home) -> None:
    assert measure(home, run_id="r1")
    assert not measure(home, run_id="r1")


def test_a_run_that_measured_a_workout_cannot_measure_it_otherwise(home: Home) -> None:
    measure(home, run_id="r1")
    with pytest.raises(ValueError, match="already measured"):
        measure(home, run_id="r1", value=9.0)


def test_rows_of_another_workout_or_run_are_refused(home: Home) -> None:
    with open_store(home) as connection:
        for workout_id, run_id in (("w2", "r1"), ("w1", "r2")):
            with pytest.raises(ValueError, match="must be"):
                append_if_changed(
                    connection,
                    workout_id=workout_id,
                    run_id=run_id,
                    results=make_results("w1", "r1"),
                    findings=make_findings("w1", "r1"),
                )


@hypothesis_settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    value=st.none() | st.floats(allow_nan=True, allow_infinity=True),
    text=st.none() | st.text(st.characters(exclude_categories=["Cs"])),
)
def test_whatever_was_stored_equals_itself(
    home: Home, value: float | None, text: str | None
) -> None:
    identifier = f"{value!r}{text!r}"
    first = make_results(identifier, "r1", value=value, reason=text)
    second = make_results(identifier, "r2", value=value, reason=text)
    nothing = make_empty(FINDINGS)
    with open_store(home) as connection:
        append_if_changed(
            connection, workout_id=identifier, run_id="r1", results=first, findings=nothing
        )
        assert not append_if_changed(
            connection, workout_id=identifier, run_id="r2", results=second, findings=nothing
        )


def test_instants_come_back_to_the_microsecond(home: Home) -> None:
    instant = NOON + timedelta(microseconds=1)
    rows = make_rows(SEGMENTS, [{"workout_id": "w", "segment": "all", "start_utc": instant}])
    with open_store(home) as connection:
        replace_rows(connection, SEGMENTS, rows)
        found = connection.execute("SELECT start_utc, end_utc FROM segments").fetchall()
    assert found == [(instant, None)]


def test_runs_only_grow(home: Home) -> None:
    rows = make_rows(RUNS, [{"run_id": "r1", "started_at": NOON, "flow": "drop"}])
    with open_store(home) as connection:
        assert append_rows(connection, RUNS, rows) == 1
    assert count(home, "runs") == 1
