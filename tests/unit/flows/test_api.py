"""The door for Python: relations of a home, also of one that was moved."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa
import pytest

from flows.api import open_home
from tasks.core.errors import CowornError
from tests.unit.report_home import POOL, build_home

ROOT = Path(__file__).resolve().parents[3]


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_home(tmp_path_factory.mktemp("api") / "home", POOL).root


def find_workout(root: Path) -> str:
    with open_home(root) as home:
        found = home.sql("SELECT workout_id FROM workouts").fetchall()
    assert found
    return str(found[0][0])


def test_results_are_main_rows_of_the_whole_workout_as_pandas(root: Path) -> None:
    with open_home(root) as home:
        frame = home.results("hr_mae_bpm", "hr_lock_s").df()
        every = home.results("hr_mae_bpm", main=False).df()
    assert set(frame["metric"]) == {"hr_mae_bpm", "hr_lock_s"}
    assert set(frame["segment"]) == {"all"}
    assert frame["is_main"].all()
    assert not frame.duplicated(["workout_id", "device_id", "metric"]).any()
    assert len(every) >= (frame["metric"] == "hr_mae_bpm").sum()


def test_samples_of_a_workout_are_on_its_clock_as_arrow(root: Path) -> None:
    workout = find_workout(root)
    with open_home(root) as home:
        table = home.samples(workout).arrow()
        if isinstance(table, pa.RecordBatchReader):
            table = table.read_all()
        pairs = home.pairs(workout).fetchnumpy()
    assert set(table.column("workout_id").to_pylist()) == {workout}
    assert len(set(table.column("device_id").to_pylist())) > 1
    assert len(pairs["heart_rate_test_bpm"]) > 0


def test_nothing_can_be_changed(root: Path) -> None:
    with open_home(root) as home, pytest.raises(duckdb.Error, match="read-only"):
        home.connection.execute("DELETE FROM results")


def test_a_home_that_was_moved_reads_its_own_lake(root: Path, tmp_path: Path) -> None:
    moved = tmp_path / "moved"
    shutil.copytree(root, moved, symlinks=True)
    # Only the moved one is left whole: an answer from the old lake would be one row too few.
    old = next((root / "lake" / "samples").glob("*/*.parquet"))
    aside = tmp_path / "aside.parquet"
    with open_home(moved) as home:
        whole = home.sql("SELECT count(*) FROM samples").fetchall()
        shutil.move(old, aside)
        try:
            assert home.sql("SELECT count(*) FROM samples").fetchall() == whole
        finally:
            shutil.move(aside, old)


def test_a_home_without_results_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(CowornError, match="no results yet; drop exports"):
        open_home(tmp_path)


def test_a_bare_shell_on_a_copied_home_reads_its_own_lake(root: Path, tmp_path: Path) -> None:
    copied = tmp_path / "copied home"
    shutil.copytree(root, copied, symlinks=True)
    # The samples of the copy are told from those of the first home by being fewer.
    recording = next((copied / "lake" / "samples").iterdir())
    shutil.rmtree(recording)
    count = "SELECT count(DISTINCT recording_id) FROM samples"
    with duckdb.connect(str(copied / "results.duckdb"), read_only=True) as connection:
        (before,) = connection.execute(count).fetchone() or (0,)
        connection.execute(f"SET VARIABLE coworn_home = '{copied}'")
        (after,) = connection.execute(count).fetchone() or (0,)
    assert after == before - 1
    with open_home(copied) as home:
        assert home.sql(count).fetchall() == [(after,)]


def test_each_cell_of_the_notebook_runs(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    document = json.loads((ROOT / "config" / "reference" / "results.ipynb").read_text())
    assert document["nbformat"] == 4
    cells = ["".join(cell["source"]) for cell in document["cells"] if cell["cell_type"] == "code"]
    assert len(cells) > 3
    monkeypatch.setenv("COWORN_HOME", str(root))
    names: dict[str, Any] = {}
    for cell in cells:
        exec(compile(cell, "results.ipynb", "exec"), names)  # noqa: S102 - our own notebook
    assert set(names["table"].columns) >= {"device_id", "hr_mae_bpm"}
    assert len(names["table"]) > 0
    assert names["samples"].num_rows > 0
    assert names["mine"] > 0
