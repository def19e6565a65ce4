"""A person's SQL: everything can be asked, nothing can be changed, no other file is reached."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from datetime import timedelta
from typing import TYPE_CHECKING

import pyarrow.parquet as pq
import pytest

from config.home import Home
from config.settings import load_settings
from tasks.core.errors import CowornError, StoreBusyError
from tasks.store import (
    QueryError,
    connect_for_reading,
    list_columns,
    list_objects,
    load_saved_queries,
    publish,
    run_query,
    save_query,
)
from tasks.tables.arrow import make_table
from tasks.tables.tables import SAMPLES
from tests.unit.store.rows import NOON, measure

if TYPE_CHECKING:
    from pathlib import Path

    import duckdb

    from config.settings import Settings


def fill(home: Home) -> Home:
    home.create()
    measure(home)
    folder = home.lake / "samples" / "recording_id=w1-a"
    folder.mkdir(parents=True)
    columns = {
        "time_utc": [NOON + timedelta(seconds=second) for second in range(100)],
        "heart_rate_bpm": [60.0 + second for second in range(100)],
    }
    pq.write_table(make_table(SAMPLES, columns), folder / "samples.parquet")
    publish(home, load_settings())
    return home


@pytest.fixture
def published(home: Home) -> Home:
    """A home that the test may change."""
    return fill(home)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a home and a file that is nobody's business; no test may change it."""
    folder = tmp_path_factory.mktemp("place")
    fill(Home(folder / "home"))
    (folder / "secret.csv").write_text("word\nswordfish\n")
    return folder


@pytest.fixture
def connection(place: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    with connect_for_reading(Home(place / "home")) as opened:
        yield opened


# --- what works -------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("sql", "rows"),
    [
        ("SELECT metric FROM results WHERE value IS NOT NULL", [{"metric": "hr_bias_bpm"}]),
        ("WITH x AS (SELECT 1 AS one) SELECT one + 1 AS two FROM x", [{"two": 2}]),
        ("SELECT count(*) AS n FROM latest_findings", [{"n": 1}]),
        ("SELECT count(*) AS n FROM (DESCRIBE results)", [{"n": 25}]),
        ("SELECT 1; SELECT 2 AS two", [{"two": 2}]),
        ("SELECT sum(heart_rate_bpm) AS s FROM samples", [{"s": 60.0 * 100 + 99 * 50}]),
        (
            (
                "SELECT count(*) AS n FROM samples "
                "WHERE recording_id = 'w1-a' AND heart_rate_bpm > 150"
            ),
            [{"n": 9}],
        ),
        ("SELECT count(*) AS n FROM samples WHERE time_utc < '2026-05-02T12:00:10Z'", [{"n": 10}]),
        ("SELECT count(*) AS n FROM pairs", [{"n": 0}]),
    ],
)
def test_questions_are_answered(
    connection: duckdb.DuckDBPyConnection, sql: str, rows: list[dict[str, object]]
) -> None:
    assert run_query(connection, sql).to_pylist() == rows


@pytest.mark.parametrize(
    ("sql", "n_rows"),
    [
        ("SELECT recording_id FROM SAMPLES", 100),
        ('SELECT recording_id FROM "Samples"', 100),
        ("FROM aligned_samples", 0),
        ("SELECT * FROM query('FROM sam' || 'ples')", 100),
        ("SELECT * FROM query_table('samp' || 'les')", 100),
        ("FROM pairs", 0),
    ],
)
def test_a_connection_for_one_statement_has_what_it_names(
    place: Path, sql: str, n_rows: int
) -> None:
    with connect_for_reading(Home(place / "home"), statement=sql) as opened:
        assert run_query(opened, sql).num_rows == n_rows


def test_a_connection_for_no_statement_opens_nothing_of_the_lake(place: Path) -> None:
    with connect_for_reading(Home(place / "home"), statement="") as opened:
        rows = run_query(opened, "FROM duckdb_views() WHERE temporary AND NOT internal")
    assert rows.num_rows == 0


@pytest.mark.parametrize(
    "sql",
    ["SHOW TABLES", "DESCRIBE results", "SUMMARIZE results", "EXPLAIN SELECT 1", "VALUES (1)"],
)
def test_every_kind_of_question_gives_rows(connection: duckdb.DuckDBPyConnection, sql: str) -> None:
    assert run_query(connection, sql).num_rows > 0


@pytest.mark.parametrize("sql", ["", "  ", "-- only a comment", ";"])
def test_no_question_gives_no_rows(connection: duckdb.DuckDBPyConnection, sql: str) -> None:
    assert run_query(connection, sql).num_rows == 0


def test_times_are_shown_in_utc(connection: duckdb.DuckDBPyConnection) -> None:
    found = run_query(connection, "SELECT start_utc::VARCHAR AS text FROM workouts").to_pylist()
    assert found == [{"text": "2026-05-02 12:00:00+00"}]


def test_columns_of_one_name_are_numbered(connection: duckdb.DuckDBPyConnection) -> None:
    found = run_query(connection, "SELECT 1 AS a, 2 AS a, 3 AS a_2, 4 AS a")
    assert found.to_pylist() == [{"a": 1, "a_2": 2, "a_2_2": 3, "a_3": 4}]


@pytest.mark.parametrize(
    ("sql", "said"), [("SELECT * FROM nothing", "nothing does not exist"), ("SELEC 1", "SELEC")]
)
def test_a_wrong_question_is_an_error_in_one_line(
    connection: duckdb.DuckDBPyConnection, sql: str, said: str
) -> None:
    with pytest.raises(QueryError, match=said) as caught:
        run_query(connection, sql)
    assert "\n" not in str(caught.value)


def test_tables_and_views_are_listed_with_their_grain(
    connection: duckdb.DuckDBPyConnection,
) -> None:
    found = {row["name"]: row for row in list_objects(connection).to_pylist()}
    assert found["results"]["kind"] == "table"
    assert found["samples"]["kind"] == "view"
    assert all(row["comment"] for row in found.values())
    assert len(found) == list_objects(connection).num_rows


def test_columns_are_listed_with_their_meaning(connection: duckdb.DuckDBPyConnection) -> None:
    first = list_columns(connection, "results").to_pylist()[0]
    assert first == {
        "column": "run_id",
        "type": "VARCHAR",
        "comment": "Key of the pipeline run that made this row",
    }
    assert list_columns(connection, "x' OR 'a' = 'a").num_rows == 0


# --- what does not ----------------------------------------------------------------------------
ATTACKS = [
    "COPY results TO '{folder}/out.csv'",
    "COPY results TO '{lake}/out.csv'",
    "COPY results TO '{lake}/samples/recording_id=w1-a/samples.parquet'",
    "COPY (SELECT 1) TO '{copy}'",
    "COPY (SELECT 1) TO '{copy}.wal'",
    "COPY (SELECT 1) TO '/dev/stdout'",
    "EXPLAIN ANALYZE COPY results TO '{folder}/out.csv'",
    "PREPARE p AS COPY results TO '{folder}/out.csv'; EXECUTE p",
    "EXPORT DATABASE '{folder}/out'",
    "IMPORT DATABASE '{folder}'",
    "ATTACH '{folder}/other.duckdb' AS other",
    "ATTACH '{store}' AS other (READ_ONLY)",
    "ATTACH '{copy}' AS other (READ_WRITE)",
    "SELECT * FROM read_csv('{secret}')",
    "SELECT * FROM read_text('{secret}')",
    "SELECT * FROM read_blob('{secret}')",
    "SELECT * FROM read_json('{secret}')",
    "SELECT * FROM read_parquet('{lake}/samples/*/*.parquet')",
    "SELECT * FROM read_duckdb('{store}')",
    "SELECT * FROM glob('{folder}/*')",
    "SELECT * FROM sniff_csv('{secret}')",
    "FROM '{secret}'",
    "SELECT * FROM query('COPY results TO ''{folder}/out.csv''')",
    "SELECT * FROM read_parquet('https://localhost/x.parquet')",
    "INSTALL httpfs",
    "LOAD httpfs",
    "LOAD '{folder}/x.duckdb_extension'",
    "UPDATE EXTENSIONS",
    "SET enable_external_access = true",
    "SET lock_configuration = false",
    "RESET lock_configuration",
    "SET allowed_directories = ['{folder}']",
    "SET temp_directory = '{folder}'",
    "SET secret_directory = '{folder}'",
    "SET profiling_output = '{folder}/profile.json'",
    "PRAGMA enable_profiling",
    "CALL enable_logging(storage = 'file', storage_path = '{folder}/logs')",
    "CREATE PERSISTENT SECRET s (TYPE http, BEARER_TOKEN 'x')",
    "CREATE TABLE mine (a INTEGER)",
    "CREATE VIEW mine AS SELECT 1",
    "CREATE SCHEMA mine",
    "DROP TABLE results",
    "DROP VIEW heart_rate",
    "ALTER TABLE results ADD COLUMN a INTEGER",
    "COMMENT ON TABLE results IS 'mine'",
    "INSERT INTO devices (device_id) VALUES ('mine')",
    "UPDATE results SET value = 0",
    "DELETE FROM results",
    "TRUNCATE results",
    "SELECT getenv('HOME')",
    "SELECT * FROM secret",
]


@pytest.mark.parametrize("attack", ATTACKS)
def test_nothing_is_written_nor_read_from_elsewhere(
    place: Path, connection: duckdb.DuckDBPyConnection, attack: str
) -> None:
    home = Home(place / "home")
    sql = attack.format(
        folder=place,
        lake=home.lake,
        copy=home.results.resolve(),
        store=home.store,
        secret=place / "secret.csv",
    )
    before = list_everything(place)
    with pytest.raises(QueryError) as caught:
        run_query(connection, sql)
    assert "swordfish" not in str(caught.value)
    assert list_everything(place) == before


def test_detaching_and_attaching_again_does_not_make_the_copy_writable(
    place: Path, connection: duckdb.DuckDBPyConnection
) -> None:
    copy = Home(place / "home").results.resolve()
    before = list_everything(place)
    for step in (
        "ATTACH ':memory:' AS free",
        f"ATTACH '{copy}' AS again",
        "USE again",
        "USE free",
        f'DETACH "{copy.stem}"',
        f"ATTACH '{copy}' AS mine",
        f"ATTACH '{copy}' AS mine (READ_WRITE)",
    ):
        try_to(connection, step)
    for catalog in ("again", "mine", f'"{copy.stem}"'):
        with pytest.raises(QueryError):
            run_query(connection, f"DELETE FROM {catalog}.results")  # noqa: S608
    assert list_everything(place) == before


def try_to(connection: duckdb.DuckDBPyConnection, sql: str) -> bool:
    """Run one step of an attack; return whether it was let through."""
    try:
        run_query(connection, sql)
    except QueryError:
        return False
    return True


def list_everything(folder: Path) -> dict[str, bytes | None]:
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() else None
        for path in sorted(folder.rglob("*"))
    }


def test_no_extension_folder_is_made_in_the_persons_home(
    published: Home, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HOME", str(tmp_path / "person"))
    (tmp_path / "person").mkdir()
    with connect_for_reading(published) as connection:
        try_to(connection, "INSTALL httpfs")
        try_to(connection, "SELECT * FROM read_parquet('s3://a/b')")
    assert list((tmp_path / "person").iterdir()) == []


# --- what goes on for too long, or would not fit --------------------------------------------------
def test_an_answer_larger_than_allowed_says_how_to_get_it(
    connection: duckdb.DuckDBPyConnection,
) -> None:
    """Ten thousand million rows would take the memory of every other program on the machine."""
    with pytest.raises(QueryError, match=r"more than 8 MB; ask for less .* --format parquet"):
        run_query(connection, "SELECT * FROM range(10000000000)", most_bytes=8_000_000)
    rows = run_query(connection, "SELECT * FROM range(900000)", most_bytes=8_000_000)
    assert rows.num_rows == 900_000
    assert run_query(connection, "SELECT 1 AS one WHERE false", most_bytes=8).column_names == [
        "one"
    ]


LONG_QUERY = """
import _thread, signal, sys, threading
from pathlib import Path
from config.home import Home
from tasks.store import connect_for_reading, run_query

def end():
    while True:
        if any(thread.name == "query" for thread in threading.enumerate()):
            _thread.interrupt_main()
            return

# A shell that starts something in the background has it ignore Ctrl-C.
signal.signal(signal.SIGINT, signal.default_int_handler)
connection = connect_for_reading(Home(Path(sys.argv[1])))
threading.Thread(target=end, daemon=True).start()
try:
    run_query(connection, "SELECT count(*) FROM range(100000000000) a, range(1000) b")
except KeyboardInterrupt:
    print(run_query(connection, "SELECT 1 AS one").to_pylist())
"""


def test_ctrl_c_ends_a_query_that_would_take_years(place: Path) -> None:
    """And the connection can be asked again."""
    done = subprocess.run(
        [sys.executable, "-c", LONG_QUERY, str(place / "home")],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert (done.stdout, done.stderr) == ("[{'one': 1}]\n", "")


# --- which copy -------------------------------------------------------------------------------
def test_without_results_the_person_is_told_what_to_do(home: Home) -> None:
    with pytest.raises(CowornError, match=r"no results yet.*coworn ingest"):
        connect_for_reading(home)


def test_a_new_connection_sees_the_newest_copy_while_an_older_one_is_open(
    published: Home, settings: Settings
) -> None:
    question = "SELECT count(*) AS n FROM results"
    with connect_for_reading(published) as old:
        measure(published, run_id="r2", value=9.0)
        publish(published, settings)
        with connect_for_reading(published) as new, connect_for_reading(published) as second:
            assert run_query(old, question).to_pylist() == [{"n": 2}]
            assert run_query(new, question).to_pylist() == [{"n": 4}]
            assert run_query(second, question).to_pylist() == [{"n": 4}]
            assert run_query(second, "SELECT count(*) AS n FROM samples").to_pylist() == [
                {"n": 100}
            ]


WRITER = """
import sys, duckdb
connection = duckdb.connect(sys.argv[1])
print("open", flush=True)
sys.stdin.read()
"""


def test_a_copy_that_is_open_for_writing_is_named_with_its_holder(published: Home) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", WRITER, str(published.results)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as writer:
        assert writer.stdout is not None
        writer.stdout.readline()
        with pytest.raises(StoreBusyError, match=rf"process {writer.pid}\); close it") as caught:
            connect_for_reading(published)
        writer.communicate("")
    assert os.linesep not in str(caught.value)


def test_a_damaged_copy_is_an_error_that_names_it(published: Home) -> None:
    copy = published.results.resolve()
    copy.write_bytes(b"nothing" * 1000)
    with pytest.raises(QueryError, match=copy.name):
        connect_for_reading(published)


# --- saved queries ----------------------------------------------------------------------------
def test_saved_queries_have_a_description_and_run_on_an_empty_home(
    home: Home, settings: Settings
) -> None:
    publish(home, settings)
    queries = load_saved_queries()
    assert len(queries) >= 5
    with connect_for_reading(home) as connection:
        for name, query in queries.items():
            assert query.name == name
            assert len(query.description) > 20, name
            assert "\n" not in query.description
            assert run_query(connection, query.sql).num_columns > 0, name


def test_own_queries_are_known_by_name_and_what_is_no_text_is_left_out(tmp_path: Path) -> None:
    (tmp_path / "mine.sql").write_text("-- My own\nSELECT 1;\n")
    (tmp_path / "setups.sql").write_text("SELECT 2")
    (tmp_path / "broken.sql").write_bytes(b"\xff\xfe\x00")
    found = load_saved_queries(tmp_path)
    assert (found["mine"].description, found["mine"].is_own) == ("My own", True)
    assert (found["setups"].sql, found["setups"].is_own) == ("SELECT 2", True)
    assert "broken" not in found
    assert not load_saved_queries()["setups"].is_own


def test_a_query_is_kept_under_a_name_once(tmp_path: Path) -> None:
    path = save_query("SELECT  1,\n 2;", "pair-1", tmp_path / "queries")
    assert path.read_text() == "-- SELECT 1, 2;\nSELECT  1,\n 2;\n"
    for name in ("pair-1", "../out", "", "a b"):
        with pytest.raises(QueryError):
            save_query("SELECT 1", name, tmp_path / "queries")
