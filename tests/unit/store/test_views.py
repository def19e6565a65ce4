"""The views: what holds now, one wide row per recording and segment, the lake as tables."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import TYPE_CHECKING, Any, get_args

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from config.home import Home
from tasks.core import discovery, registers
from tasks.core.registers import METRICS, Domain, Value, metric
from tasks.store import append_if_changed, append_rows, open_store, publish, replace_rows
from tasks.store.views import LAKE_VIEWS, MAIN_METRICS, build_views, escape_glob
from tasks.tables.arrow import make_empty, make_rows, make_table
from tasks.tables.tables import FINDINGS, PAIRS, RECORDINGS, RESULTS, SAMPLES, SETUPS, VERDICTS
from tests.unit.store.rows import NOON, make_devices, make_results, make_workouts, measure

if TYPE_CHECKING:
    from pathlib import Path

    from config.settings import Settings

#: A metric that exists in these tests only.
MADE_UP = "made_up_by_the_test_m"


@pytest.fixture(autouse=True)
def made_up_metric() -> Iterator[None]:
    discovery.load_metrics()
    metric(
        "swimming",
        title="Made up",
        unit="m",
        definition="A value that only this test knows.",
        formula="m",
        better="none",
        source="this test",
        examples=(),
    )(made_up_by_the_test_m)
    yield
    del registers.METRICS[MADE_UP]


def made_up_by_the_test_m(case: object) -> Value:
    return Value(None, reason=f"nothing is known of {case}")


def ask(home: Home, settings: Settings, sql: str) -> list[tuple[Any, ...]]:
    publish(home, settings)
    with duckdb.connect(str(home.results), read_only=True) as connection:
        return connection.execute(sql).fetchall()


def store_results(home: Home, *rows: dict[str, object], run_id: str = "r1") -> None:
    """Store results of workout w1, recording w1-a of alder-2, from what differs."""
    base = make_results(run_id=run_id).to_pylist()[1] | {"reason": None, "value": 1.0}
    with open_store(home) as connection:
        replace_rows(connection, "workouts", make_workouts("w1"))
        replace_rows(connection, "devices", make_devices("alder-2", role="test", site="wrist"))
        append_if_changed(
            connection,
            workout_id="w1",
            run_id=run_id,
            results=make_rows(RESULTS, [base | row for row in rows]),
            findings=make_empty(FINDINGS),
        )


# --- latest -----------------------------------------------------------------------------------
def test_latest_results_are_those_of_the_newest_run_even_when_its_clock_was_set_back(
    home: Home, settings: Settings
) -> None:
    measure(home, run_id="r2", value=1.0)
    measure(home, run_id="r1", value=2.0, computed_at=NOON - timedelta(days=400))
    measure(home, "w2", "r2", value=3.0)
    found = ask(
        home,
        settings,
        "SELECT workout_id, value FROM latest_results WHERE metric = 'hr_bias_bpm' ORDER BY 1",
    )
    assert found == [("w1", 2.0), ("w2", 3.0)]


def test_a_workout_that_no_longer_exists_has_no_latest_results(
    home: Home, settings: Settings
) -> None:
    measure(home, "w1")
    measure(home, "w2")
    with open_store(home) as connection:
        replace_rows(connection, "workouts", make_workouts("w2"), where={})
    assert ask(home, settings, "SELECT DISTINCT workout_id FROM latest_results") == [("w2",)]
    assert ask(home, settings, "SELECT DISTINCT workout_id FROM latest_findings") == [("w2",)]
    assert ask(home, settings, "SELECT DISTINCT workout_id FROM heart_rate") == [("w2",)]
    assert ask(home, settings, "SELECT count(*) FROM results") == [(4,)]


def test_latest_verdicts_are_the_newest_per_question_for_devices_that_exist(
    home: Home, settings: Settings
) -> None:
    def verdict(device: str, metric_id: str, answer: str) -> dict[str, object]:
        return {
            "run_id": "r",
            "device_id": device,
            "against": "alder-1",
            "metric": metric_id,
            "verdict": answer,
        }

    with open_store(home) as connection:
        replace_rows(connection, "devices", make_devices("alder-2"))
        for answers in (
            [verdict("alder-2", "a", "unclear"), verdict("alder-2", "b", "alike")],
            [verdict("alder-2", "a", "better"), verdict("unknown-1", "a", "worse")],
        ):
            append_rows(connection, VERDICTS, make_rows(VERDICTS, answers))
    found = ask(home, settings, "SELECT metric, verdict FROM latest_verdicts ORDER BY 1")
    assert found == [("a", "better"), ("b", "alike")]


# --- domains ----------------------------------------------------------------------------------
@pytest.mark.parametrize("domain", get_args(Domain))
def test_every_domain_has_a_view_with_a_commented_column_per_metric(
    home: Home, settings: Settings, domain: str
) -> None:
    columns = dict(
        ask(
            home,
            settings,
            "SELECT column_name, comment FROM duckdb_columns() "  # noqa: S608 - a register's word
            f"WHERE table_name = '{domain}' AND database_name = current_database()",
        )
    )
    wanted = {key: found for key, found in METRICS.items() if found.domain == domain}
    assert set(wanted) <= set(columns)
    assert all(wanted[key].title in columns[key] for key in wanted)
    assert all(columns.values())
    assert {"start_utc", "activity", "device_name", "wrist", "band", "display", "gnss"} <= set(
        columns
    )


def test_a_wide_row_holds_the_values_of_one_recording_segment_and_reference(
    home: Home, settings: Settings
) -> None:
    store_results(
        home,
        {"metric": "hr_bias_bpm", "reference": "strap", "value": 1.0},
        {"metric": "hr_mae_bpm", "reference": "strap", "value": 2.0},
        {"metric": "hr_bias_bpm", "reference": "arm", "value": 3.0, "is_main": False},
        {"metric": "hr_bias_bpm", "reference": "strap", "segment": "after_lock", "value": 4.0},
        {"metric": MADE_UP, "reference": None, "value": 5.0},
    )
    assert {"hr_bias_bpm", "hr_mae_bpm"} <= set(METRICS)
    found = ask(
        home,
        settings,
        "SELECT segment, reference, hr_bias_bpm, hr_mae_bpm FROM heart_rate_all ORDER BY ALL",
    )
    assert found == [
        ("after_lock", "strap", 4.0, None),
        ("all", "arm", 3.0, None),
        ("all", "strap", 1.0, 2.0),
    ]
    swimming = ask(home, settings, "SELECT segment, reference, made_up_by_the_test_m FROM swimming")
    assert swimming == [("all", None, 5.0)]


def test_a_wide_view_holds_the_main_row_only_with_n_and_interval(
    home: Home, settings: Settings
) -> None:
    against = {"reference": "truth", "reference_kind": "truth"}
    sure = {"n": 900, "ci_low": -0.5, "ci_high": 1.5}
    store_results(
        home,
        {"metric": "distance_error_pct", "value": 0.5, "is_main": True, **against, **sure},
        {"metric": "distance_error_pct", "value": -9.5, "is_main": False, "reference": "watch"},
        {"metric": "speed_mae_mps", "value": 0.1, "is_main": True, "reference": "consensus"},
        {"metric": "distance_own_m", "value": 8000.0, "is_main": True, "reference": None},
    )
    found = ask(
        home,
        settings,
        "SELECT reference, reference_kind, distance_error_pct, distance_error_pct_n, "
        "distance_error_pct_ci_low, distance_error_pct_ci_high, speed_mae_mps, distance_own_m "
        "FROM distance WHERE segment = 'all'",
    )
    assert found == [("truth", "truth", 0.5, 900, -0.5, 1.5, 0.1, 8000.0)]
    # What a reader asks first: a mean over the view is the mean of the main rows.
    assert ask(
        home,
        settings,
        "SELECT (SELECT avg(distance_error_pct) FROM distance WHERE segment = 'all'), "
        "(SELECT avg(value) FROM main_results WHERE metric = 'distance_error_pct')",
    ) == [(0.5, 0.5)]
    assert len(ask(home, settings, "FROM distance_all")) == 3


def test_a_value_without_reference_stands_in_every_row_of_its_segment(
    home: Home, settings: Settings
) -> None:
    store_results(
        home,
        {"metric": "hr_bias_bpm", "reference": "strap", "value": 1.0},
        {"metric": "hr_bias_bpm", "reference": "arm", "value": 2.0},
        {"metric": "hr_mae_bpm", "reference": None, "value": 7.0},
        {"metric": "hr_mae_bpm", "reference": None, "segment": "after_lock", "value": 8.0},
    )
    found = ask(
        home,
        settings,
        "SELECT segment, reference, hr_bias_bpm, hr_mae_bpm FROM heart_rate_all ORDER BY ALL",
    )
    assert found == [
        ("after_lock", None, None, 8.0),
        ("all", "arm", 2.0, 7.0),
        ("all", "strap", 1.0, 7.0),
    ]


@pytest.mark.parametrize("domain", get_args(Domain))
def test_main_metrics_are_metrics_of_their_domain(domain: Domain) -> None:
    assert {METRICS[metric].domain for metric in MAIN_METRICS[domain]} == {domain}


def test_the_setup_of_the_device_stands_beside_its_values(home: Home, settings: Settings) -> None:
    store_results(home, {"metric": "hr_bias_bpm"})
    with open_store(home) as connection:
        keys = {"wrist": "left", "band": "silicone"}
        rows = [
            {"workout_id": "w1", "device_id": "alder-2", "key": key, "value": value}
            for key, value in keys.items()
        ]
        rows.append({"workout_id": "w1", "device_id": "strap", "key": "wrist", "value": "right"})
        replace_rows(connection, SETUPS, make_rows(SETUPS, rows))
        recording = {
            "recording_id": "w1-a",
            "workout_id": "w1",
            "device_id": "alder-2",
            "firmware": "4.1",
        }
        replace_rows(connection, RECORDINGS, make_rows(RECORDINGS, [recording]))
    found = ask(
        home,
        settings,
        "SELECT device_name, role, site, activity, start_utc, wrist, band, gnss, firmware "
        "FROM heart_rate",
    )
    assert found == [("Alder-2", "test", "wrist", "running", NOON, "left", "silicone", None, "4.1")]


# --- lake -------------------------------------------------------------------------------------
def write_samples(home: Home, recording_id: str, values: list[float | None]) -> None:
    folder = home.lake / "samples" / f"recording_id={recording_id}"
    folder.mkdir(parents=True)
    columns = {
        "time_utc": [NOON + timedelta(seconds=second) for second in range(len(values))],
        "heart_rate_bpm": values,
    }
    pq.write_table(make_table(SAMPLES, columns), folder / "samples.parquet")


def test_the_lake_is_seen_with_its_key_as_text(home: Home, settings: Settings) -> None:
    write_samples(home, "0123456789-0", [60.0, None])
    write_samples(home, "none", [])
    found = ask(home, settings, "SELECT recording_id, time_utc, heart_rate_bpm FROM samples")
    assert found == [
        ("0123456789-0", NOON, 60.0),
        ("0123456789-0", NOON + timedelta(seconds=1), None),
    ]


def test_half_written_files_of_the_lake_are_not_seen(home: Home, settings: Settings) -> None:
    write_samples(home, "a-0", [60.0])
    folder = home.lake / "samples" / "recording_id=a-0"
    (folder / ".samples.parquet.building").write_bytes(b"PAR1 torn")
    assert ask(home, settings, "SELECT count(*) FROM samples") == [(1,)]


def test_an_empty_lake_gives_views_without_rows(home: Home, settings: Settings) -> None:
    for view, table in LAKE_VIEWS.items():
        found = ask(home, settings, f"DESCRIBE {view}")
        assert [row[0] for row in found[1:]] == list(table.column_names)
        assert ask(home, settings, f"SELECT count(*) FROM {view}") == [(0,)]  # noqa: S608


def test_pairs_that_an_older_version_wrote_lack_columns_and_are_read(
    home: Home, settings: Settings
) -> None:
    folder = home.lake / "pairs" / "workout_id=w1"
    folder.mkdir(parents=True)
    row = {"workout_id": "w1", "recording_id": "r1", "heart_rate_test_bpm": 120.0}
    older = make_rows(PAIRS, [row]).drop_columns(["heart_rate_is_scored", "reference"])
    pq.write_table(older, folder / "pairs.parquet")
    query = "SELECT heart_rate_test_bpm, heart_rate_is_scored, reference FROM pairs"
    found = ask(home, settings, query)
    assert found == [(120.0, None, None)]


def test_pairs_are_keyed_by_their_workout(home: Home, settings: Settings) -> None:
    folder = home.lake / "pairs" / "workout_id=w1"
    folder.mkdir(parents=True)
    row = {"time_utc": NOON, "recording_id": "a-0", "heart_rate_test_bpm": 61.0}
    pq.write_table(make_rows(PAIRS, [row]), folder / "pairs.parquet")
    found = ask(home, settings, "SELECT workout_id, recording_id, heart_rate_test_bpm FROM pairs")
    assert found == [("w1", "a-0", 61.0)]


def test_a_home_with_a_pattern_in_its_name_is_read(tmp_path: Path, settings: Settings) -> None:
    odd = Home(tmp_path / "it's [a] home *")
    odd.create()
    write_samples(odd, "a-0", [60.0])
    assert ask(odd, settings, "SELECT recording_id FROM samples") == [("a-0",)]


def test_an_escaped_pattern_matches_itself_only() -> None:
    assert escape_glob("/a[b]*c?") == "/a[[]b][*]c[?]"


def test_no_two_views_or_tables_share_a_name(home: Home) -> None:
    names = [view.name for view in build_views(home.lake)]
    assert len(names) == len(set(names))
    assert not {"samples", "pairs", "latest_results", "heart_rate", "battery"} - set(names)


def test_every_view_and_column_of_a_view_has_a_comment(home: Home, settings: Settings) -> None:
    silent = ask(
        home,
        settings,
        "SELECT table_name, column_name FROM duckdb_columns() WHERE comment IS NULL "
        "AND database_name = current_database() AND NOT internal "
        "UNION ALL SELECT view_name, '' FROM duckdb_views() WHERE comment IS NULL "
        "AND database_name = current_database() AND NOT internal",
    )
    assert silent == []


def test_schema_of_the_lake_views_matches_what_arrow_writes(home: Home, settings: Settings) -> None:
    write_samples(home, "a-0", [60.0])
    kinds = dict(ask(home, settings, "SELECT column_name, column_type FROM (DESCRIBE samples)"))
    assert kinds["time_utc"] == "TIMESTAMP WITH TIME ZONE"
    assert kinds["recording_id"] == "VARCHAR"
    assert pa.types.is_integer(make_empty(SAMPLES).schema.field("piece").type)
    assert kinds["piece"] == "BIGINT"
