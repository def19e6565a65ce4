"""A backup is put back by one command, and what came after it is measured again."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

from tests.pipeline.conftest import write_csv

if TYPE_CHECKING:
    from pathlib import Path

    from tests.pipeline.conftest import Place

RESULTS = (
    "SELECT workout_id, recording_id, metric, segment, reference, value FROM latest_results "
    "ORDER BY ALL"
)


def test_a_restored_backup_says_the_same_and_keeps_its_runs(
    place: Place, prefect_server: str, tmp_path: Path
) -> None:
    for day in (2, 3):
        start = datetime(2026, 5, day, 6, 0, tzinfo=UTC)
        for number, name in enumerate(("strap", "test-watch")):
            path = tmp_path / str(day) / f"{name}-{day}.csv"
            write_csv(path, start=start, n_seconds=120, above_bpm=2.0 * number)
        assert place.run("ingest", str(tmp_path / str(day))).returncode == 0
        if day == 2:
            assert place.run("nightly").returncode == 0
    before = place.ask(RESULTS)
    runs_before = {row[0] for row in place.ask("SELECT run_id FROM runs")}
    (backup,) = (place.root / "backups").glob("store-*.duckdb")
    words = ("rebuild", "--from-backup", str(backup))
    ended = place.run(*words, PREFECT_API_URL=prefect_server)
    assert ended.returncode == 0, ended.stderr
    assert "1 workout with new results" in ended.stdout
    assert place.ask(RESULTS) == before
    runs_after = {row[0] for row in place.ask("SELECT run_id FROM runs")}
    assert runs_after & runs_before, "the runs of the backup are kept"
    assert len(list((place.root / "backups").glob("replaced-*.duckdb"))) == 1
    assert backup.exists()


def test_what_is_no_backup_is_refused_and_changes_nothing(place: Place, tmp_path: Path) -> None:
    write_csv(tmp_path / "strap.csv", n_seconds=60)
    assert place.run("ingest", str(tmp_path / "strap.csv")).returncode == 0
    store = (place.root / "state" / "store.duckdb").read_bytes()
    ended = place.run("rebuild", "--from-backup", str(tmp_path / "nowhere.duckdb"))
    assert ended.returncode == 2
    assert ended.stderr.count("\n") == 1
    ended = place.run("rebuild", "--from-backup", str(tmp_path / "strap.csv"))
    assert ended.returncode == 1
    assert "choose another backup" in ended.stderr
    assert (place.root / "state" / "store.duckdb").read_bytes() == store
