"""From bytes to SQL: one drop, the same drop again, late partners, a rebuild."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from tests.pipeline.conftest import ROOT, Place, write_csv

if TYPE_CHECKING:
    from pathlib import Path

DROPPED = ROOT / "inbox_demo" / "2025-11-16-track-laps-alder-2.fit"
N_RESULTS = "SELECT count(*) FROM results"


def test_the_demo_prints_what_came_out(demo: Place) -> None:
    told = (demo.root.parent / "first.out").read_text()
    assert "alder-2" in told
    assert "hazel" in told
    assert str(demo.root / "results.duckdb") in told
    assert "\x1b" not in told


def test_the_demo_names_its_broken_file_in_one_line(demo: Place) -> None:
    lines = (demo.root.parent / "first.err").read_text().splitlines()
    assert len(lines) == 1
    assert lines[0].startswith("coworn: 2025-11-30-birch-damaged.fit refused: ")


def test_the_demo_answers_sql(demo: Place) -> None:
    devices = demo.ask("SELECT DISTINCT device_id FROM heart_rate WHERE hr_mae_bpm IS NOT NULL")
    assert ("alder-2",) in devices


def test_every_error_of_the_demo_is_the_mean_over_the_scored_seconds_of_pairs(demo: Place) -> None:
    query = """
        WITH means AS (
            SELECT workout_id, recording_id, reference,
                   avg(heart_rate_test_bpm - heart_rate_reference_bpm)
                       FILTER (heart_rate_is_scored) AS hr_bias_bpm,
                   avg(abs(heart_rate_test_bpm - heart_rate_reference_bpm))
                       FILTER (heart_rate_is_scored) AS hr_mae_bpm,
                   avg(speed_test_mps - speed_reference_mps)
                       FILTER (speed_is_scored) AS speed_bias_mps,
                   avg(abs(speed_test_mps - speed_reference_mps))
                       FILTER (speed_is_scored) AS speed_mae_mps,
                   avg(altitude_test_m - altitude_reference_m)
                       FILTER (altitude_is_scored) AS altitude_bias_m
            FROM pairs GROUP BY ALL
        ),
        listed AS (
            UNPIVOT means ON COLUMNS(* EXCLUDE (workout_id, recording_id, reference))
            INTO NAME metric VALUE mean
        )
        SELECT metric, count(*), count(mean), max(abs(value - mean))
        FROM latest_results LEFT JOIN listed USING (workout_id, recording_id, reference, metric)
        WHERE segment = 'all' AND value IS NOT NULL AND metric IN (
            'hr_bias_bpm', 'hr_mae_bpm', 'speed_bias_mps', 'speed_mae_mps', 'altitude_bias_m')
        GROUP BY metric
    """
    found = {metric: numbers for metric, *numbers in demo.ask(query)}
    assert len(found) == 5
    for n_results, n_pairs, worst in found.values():
        assert n_pairs == n_results >= 11
        assert worst < 1e-9  # type: ignore[operator] # a number


def test_a_second_demo_adds_nothing(demo: Place) -> None:
    before = demo.ask(N_RESULTS), demo.ask("SELECT count(*) FROM runs")
    link = (demo.root / "results.duckdb").readlink()
    done = demo.run("demo")
    assert done.returncode == 0, done.stderr
    assert "added nothing" in done.stdout
    assert (demo.ask(N_RESULTS), demo.ask("SELECT count(*) FROM runs")) == before
    assert (demo.root / "results.duckdb").readlink() == link


def test_originals_are_the_bytes_that_were_dropped(demo: Place) -> None:
    for path in (ROOT / "inbox_demo").glob("*.fit"):
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        kept = demo.root / "originals" / digest[:2] / f"{digest}.fit"
        assert kept.read_bytes() == path.read_bytes()


def test_nothing_stays_in_the_inbox(demo: Place) -> None:
    assert [path for path in demo.inbox.rglob("*") if path.is_file()] == []


def test_the_refused_file_lies_beside_its_reason(demo: Place) -> None:
    refused = demo.root / "refused" / "2025-11-30-birch-damaged.fit"
    original = ROOT / "inbox_demo" / "2025-11-30-birch-damaged.fit"
    assert refused.read_bytes() == original.read_bytes()
    assert "checksum" in refused.with_name(refused.name + ".why.txt").read_text()


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("status",), "2025-11-30-birch-damaged.fit"),
        (("devices",), "alder-2"),
        (("explain", DROPPED.name), hashlib.sha256(DROPPED.read_bytes()).hexdigest()),
        (("explain", "hr_mae_bpm"), "formula"),
        (("sql", "SELECT 6 * 7 AS answer"), "42"),
        (("sql", "--list"), "heart_rate"),
        (("check",), "telemetry: off"),
    ],
)
def test_what_is_known_can_be_asked(demo: Place, words: tuple[str, ...], expected: str) -> None:
    done = demo.run(*words)
    assert done.returncode == 0, done.stderr
    assert expected in done.stdout


def test_sql_cannot_write(demo: Place) -> None:
    done = demo.run("sql", "DELETE FROM results")
    assert done.returncode == 1
    assert len(done.stderr.splitlines()) == 1


def test_a_demo_starts_no_server(demo: Place) -> None:
    assert list((demo.root / "state" / "prefect").iterdir()) == []
    assert not (demo.root / "state" / "logs" / "prefect-server.log").exists()
    assert demo.ask("SELECT flow, status FROM runs") == [("drop", "done")]


# --- numbers that paper knows -----------------------------------------------------------------
def test_a_watch_two_beats_above_the_strap_has_bias_and_error_of_two(
    place: Place, tmp_path: Path
) -> None:
    write_csv(tmp_path / "drop" / "strap.csv")
    write_csv(tmp_path / "drop" / "test-watch.csv", above_bpm=2.0)
    done = place.run("ingest", str(tmp_path / "drop" / "strap.csv"), str(tmp_path / "drop"))
    assert done.returncode == 0, done.stderr
    # Every second is 2 bpm above: bias = MAE = 2, all within 5, by the metrics' definitions.
    rows = place.ask(
        "SELECT hr_bias_bpm, hr_mae_bpm, hr_within_5_bpm_pct FROM heart_rate "
        "WHERE device_id = 'test-watch' AND reference = 'strap' AND segment = 'all'"
    )
    assert rows == [(pytest.approx(2.0), pytest.approx(2.0), pytest.approx(100.0))]


def test_ingest_leaves_its_sources_alone(place: Place, tmp_path: Path) -> None:
    path = write_csv(tmp_path / "drop" / "strap.csv")
    before = path.read_bytes(), path.stat().st_mtime_ns
    assert place.run("ingest", str(path)).returncode == 0
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before
    assert place.ask("SELECT count(*) FROM recordings") == [(1,)]


def test_a_broken_file_does_not_stop_the_others(place: Place, tmp_path: Path) -> None:
    good = write_csv(tmp_path / "strap.csv")
    broken = tmp_path / "run [red].fit"
    broken.write_bytes(b"\x0e\x10\xd9\x07\x10\x00\x00\x00.FIT" + b"\x00" * 40)
    layout = tmp_path / "odd.csv"
    layout.write_text("when,what\n1,2\n3,4\n5,6\n")
    done = place.run("ingest", str(broken), str(good), str(layout))
    assert done.returncode == 1
    told = done.stderr.splitlines()
    assert [line.split(" refused: ")[0] for line in told] == [
        "coworn: run [red].fit",
        "coworn: odd.csv",
    ]
    assert place.ask("SELECT name, status FROM files ORDER BY name") == [
        ("odd.csv", "refused"),
        ("run [red].fit", "refused"),
        ("strap.csv", "stored"),
    ]
    refused = {path.name for path in (place.root / "refused").iterdir()}
    assert {"run [red].fit", "run [red].fit.why.txt", "odd.csv.layout.toml"} <= refused


def test_late_partners_join_their_workout_and_keep_its_id(place: Place, tmp_path: Path) -> None:
    assert place.run("ingest", str(write_csv(tmp_path / "strap.csv"))).returncode == 0
    (first,) = place.ask("SELECT workout_id FROM workouts")
    late = write_csv(tmp_path / "test-watch.csv", above_bpm=1.0)
    assert place.run("ingest", str(late)).returncode == 0
    assert place.ask("SELECT workout_id, n_devices FROM workouts") == [(*first, 2)]


def test_late_notes_place_an_export_without_a_zone_and_a_rebuild_agrees(
    place: Place, prefect_server: str, tmp_path: Path
) -> None:
    strap = write_csv(tmp_path / "both" / "strap.csv")
    # The watch says local time: Nepal is 5 h 45 min ahead of UTC.
    watch = tmp_path / "both" / "test-watch.csv"
    write_csv(watch, start=datetime(2026, 5, 2, 11, 45, tzinfo=UTC), above_bpm=2.0)
    watch.write_text(watch.read_text().replace("Z,", ","))
    done = place.run("ingest", str(strap.parent))
    assert done.returncode == 1
    assert done.stderr.startswith("coworn: test-watch.csv refused: the time '2026-05-02T11:45:00'")
    assert (place.root / "refused" / "test-watch.csv.why.txt").exists()
    notes = tmp_path / "run.notes.toml"
    notes.write_text("start = 2026-05-02T11:45:00+05:45\n")
    done = place.run("ingest", str(notes))
    assert (done.returncode, done.stderr) == (0, "")
    assert "2 files: 2 stored" in done.stdout
    assert list((place.root / "refused").iterdir()) == []
    query = (
        "SELECT r.recording_id, workout_id, time_basis, start_utc, metric, segment, value "
        "FROM latest_results JOIN recordings r USING (workout_id) ORDER BY ALL"
    )
    before = place.ask(query)
    bias = (
        "SELECT hr_bias_bpm FROM heart_rate WHERE device_id = 'test-watch' "
        "AND reference = 'strap' AND segment = 'all'"
    )
    assert place.ask(bias) == [(pytest.approx(2.0),)]
    for command in ("nightly", "rebuild"):
        # As flows of a server.
        assert place.run(command, PREFECT_API_URL=prefect_server).returncode == 0
        assert place.ask(query) == before


def test_a_changed_device_is_measured_again_by_night(place: Place, tmp_path: Path) -> None:
    write_csv(tmp_path / "both" / "strap.csv")
    write_csv(tmp_path / "both" / "test-watch.csv", above_bpm=1.0)
    assert place.run("ingest", str(tmp_path / "both")).returncode == 0
    devices = place.root / "devices.toml"
    devices.write_text(devices.read_text().replace('"Test watch"', '"Renamed watch"'))
    done = place.run("nightly")
    assert done.returncode == 0, done.stderr
    assert place.ask("SELECT name FROM devices WHERE device_id = 'test-watch'") == [
        ("Renamed watch",)
    ]
    assert len(list((place.root / "backups").glob("store-*.duckdb"))) == 1
    # What lies in the inbox while nobody watches is taken by night, too.
    begin = datetime(2026, 5, 3, 6, 0, tzinfo=UTC)
    write_csv(place.inbox / "missed-strap.csv", start=begin)
    assert place.run("nightly").returncode == 0
    assert place.ask("SELECT count(*) FROM workouts") == [(2,)]


def test_a_rebuild_gives_the_same_results_under_the_same_ids(place: Place, tmp_path: Path) -> None:
    begin = datetime(2026, 5, 2, 6, 0, tzinfo=UTC)
    for day in range(2):
        for name, above in (("strap", 0.0), ("test-watch", 3.0)):
            start = begin + timedelta(days=day)
            write_csv(tmp_path / "all" / f"{name}-{day}.csv", start=start, above_bpm=above)
    assert place.run("ingest", str(tmp_path / "all")).returncode == 0
    query = (
        "SELECT workout_id, recording_id, metric, segment, reference, value FROM latest_results "
        "ORDER BY ALL"
    )
    before = place.ask(query)
    (place.root / "lake" / "samples").rename(tmp_path / "samples-lost")
    done = place.run("rebuild")
    assert done.returncode == 0, done.stderr
    assert place.ask(query) == before
    assert len(before) > 50
    assert place.ask("SELECT count(*) FROM samples") == [(4 * 600,)]
    # Dropped once more after that, everything is known.
    again = place.run("ingest", str(tmp_path / "all"))
    assert "4 known already" in again.stdout
    assert place.ask(query) == before
