"""Each damage of the table in `config/reference/damage.md`, done to a home and mended."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pytest

from config.devices import load_devices
from config.home import Home
from config.session import Session
from config.settings import load_settings
from flows.runs.nightly import run_nightly
from flows.runs.repair import run_repair
from tasks.ingest.exports import Dropped, ingest_file
from tasks.store import connect_for_reading, read_store
from tests.unit.archive.test_rot import TEXT

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

DEVICES = """
[[device]]
id = "watch"
name = "Watch"
role = "test"
heart_rate = "optical"
match = [ {folder = "watch"} ]
[[device]]
id = "strap"
name = "Strap"
role = "reference"
heart_rate = "ecg"
match = [ {folder = "strap"} ]
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home with one workout of two devices, its night done."""
    root = tmp_path_factory.mktemp("made")
    home = Home(root / "home")
    home.create()
    home.devices.write_text(DEVICES, encoding="utf-8")
    for device, text in (("watch", TEXT), ("strap", TEXT.replace(",131", ",133"))):
        path = root / f"{device}.csv"
        path.write_text(text, encoding="utf-8")
        (outcome,) = ingest_file(
            Dropped(path, path.name, device), home=home, settings=load_settings(), move=False
        )
        assert outcome.status == "stored"
    run_nightly(open_session(home))
    return home.root


def open_session(home: Home) -> Session:
    return Session(home, load_settings(), load_devices(home.devices))


@pytest.fixture
def home(made: Path, tmp_path: Path) -> Home:
    return Home(shutil.copytree(made, tmp_path / "home", symlinks=True))


def describe(home: Home) -> dict[str, list[tuple[object, ...]]]:
    """Return what a person sees: files, devices, recordings, numbers, rows of the lake."""
    queries = {
        "files": "SELECT name, status FROM files ORDER BY 1",
        "devices": "SELECT device_id, name FROM devices ORDER BY 1",
        "recordings": "SELECT recording_id, device_id, workout_id FROM recordings ORDER BY 1",
        "results": "SELECT recording_id, reference, segment, metric, value FROM latest_results "
        "ORDER BY ALL",
        "samples": "SELECT recording_id, count(*), sum(heart_rate_bpm) FROM samples GROUP BY 1 "
        "ORDER BY 1",
        "pairs": "SELECT count(*), sum(heart_rate_reference_bpm) FROM pairs",
    }
    connection = connect_for_reading(home)
    try:
        return {name: connection.execute(text).fetchall() for name, text in queries.items()}
    finally:
        connection.close()


def cut(path: Path) -> None:
    """Leave the first half of a file, and no log beside it."""
    data = path.read_bytes()
    path.chmod(0o600)
    path.write_bytes(data[: len(data) // 2])


def scribble(path: Path) -> None:
    """Write over a file's beginning."""
    data = path.read_bytes()
    path.chmod(0o600)
    path.write_bytes(b"\x5a" * 4096 + data[4096:])


def lose_backups(home: Home) -> None:
    for path in home.backups.iterdir():
        path.unlink()


def damage_ledger(home: Home) -> None:
    scribble(home.ledger)


def damage_ledger_and_backups(home: Home) -> None:
    lose_backups(home)
    scribble(home.ledger)


def delete_ledger(home: Home) -> None:
    lose_backups(home)
    for path in home.state.glob("ledger.sqlite*"):
        path.unlink()


def damage_ledger_store_and_backups(home: Home) -> None:
    lose_backups(home)
    scribble(home.ledger)
    cut(home.store)


def delete_lake(home: Home) -> None:
    shutil.rmtree(home.lake)


def cut_samples(home: Home) -> None:
    cut(min(home.lake.glob("samples/*/samples.parquet")))


def scribble_pairs(home: Home) -> None:
    scribble(min(home.lake.glob("pairs/*/pairs.parquet")))


def cut_store(home: Home) -> None:
    cut(home.store)


def cut_store_and_lose_backups(home: Home) -> None:
    lose_backups(home)
    cut(home.store)


def delete_store(home: Home) -> None:
    home.store.unlink()


def lose_link(home: Home) -> None:
    home.results.unlink()


def damage_published(home: Home) -> None:
    for path in home.published.glob("*.duckdb"):
        cut(path)


@pytest.mark.parametrize(
    ("damage", "told"),
    [
        (damage_ledger, "state/ledger.sqlite: damaged"),
        (damage_ledger_and_backups, "state/ledger.sqlite: damaged"),
        (damage_ledger_store_and_backups, "state/ledger.sqlite: damaged"),
        (delete_ledger, "state/ledger.sqlite: missing"),
        (delete_lake, "read again from its original"),
        (cut_samples, "samples.parquet: damaged"),
        (scribble_pairs, "pairs.parquet: damaged"),
        (cut_store, "state/store.duckdb: damaged"),
        (cut_store_and_lose_backups, "made again from the lake"),
        (delete_store, "state/store.duckdb: missing"),
        (lose_link, "results.duckdb: the link was lost"),
        (damage_published, "published/results-"),
    ],
)
def test_what_is_damaged_is_made_again_and_says_the_same_as_before(
    home: Home, damage: Callable[[Home], None], told: str
) -> None:
    before = describe(home)
    assert before["results"]
    assert before["pairs"][0][0]
    damage(home)
    report = run_repair(open_session(home))
    assert any(told in line for line in report.mended), report.mended
    assert not any(one.is_problem for one in report.outcomes)
    after = describe(home)
    for name, rows in before.items():
        assert after[name] == rows, name
    again = run_repair(open_session(home))
    assert again.mended == ()


def test_a_whole_home_has_nothing_to_mend(home: Home) -> None:
    with read_store(home) as connection:
        before = connection.execute("SELECT count(*) FROM results").fetchall()
    assert run_repair(open_session(home)).mended == ()
    with read_store(home) as connection:
        assert connection.execute("SELECT count(*) FROM results").fetchall() == before


def test_a_night_mends_one_cut_file_of_the_lake_by_itself(
    home: Home, caplog: pytest.LogCaptureFixture
) -> None:
    before = describe(home)
    cut_samples(home)
    report = run_nightly(open_session(home))
    assert not any(one.is_problem for one in report.outcomes)
    assert "samples.parquet: damaged" in caplog.text
    assert describe(home) == before
