"""Layouts of the home: what they read anew, and where proposals for them lie."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from config.home import Home
from config.settings import Settings, load_settings
from tasks.archive.lake import read_recording
from tasks.ingest.exports import Dropped, finish_file, ingest_file
from tasks.ingest.layouts import reopen_by_layouts
from tasks.tables.arrow import read_floats

if TYPE_CHECKING:
    from pathlib import Path

    from tasks.ingest.exports import FileOutcome

ROWS = "".join(f"2026-05-02T06:00:{second:02d}Z,{100 + second},7\n" for second in range(9))
HALF_READ = "time,hr,power of my legs\n" + ROWS
OTHER = "time,hr,mood\n" + ROWS
UNKNOWN = "when,what,mood\n" + ROWS


@pytest.fixture
def home(tmp_path: Path) -> Home:
    made = Home(tmp_path / "home")
    made.create()
    made.columns.mkdir()
    return made


@pytest.fixture
def settings() -> Settings:
    return load_settings()


def take(home: Home, settings: Settings, name: str, text: str) -> FileOutcome:
    path = home.inbox / name
    path.write_text(text)
    (outcome,) = ingest_file(Dropped(path, name), home=home, settings=settings, move=True)
    return outcome


def redo(home: Home, settings: Settings) -> dict[str, FileOutcome]:
    files = reopen_by_layouts(home, settings)
    done = [one for file in files for one in finish_file(file, home=home, settings=settings)]
    return {outcome.name: outcome for outcome in done}


def test_a_column_that_is_not_read_is_reported_with_a_proposal(
    home: Home, settings: Settings
) -> None:
    outcome = take(home, settings, "half.csv", HALF_READ)
    assert outcome.status == "partial"
    assert outcome.reason is not None
    assert "'power of my legs'" in outcome.reason
    assert "columns/proposed/half.csv.layout.toml" in outcome.reason
    assert (home.columns / "proposed" / "half.csv.layout.toml").exists()


def test_a_new_layout_reads_again_what_it_fits_and_nothing_else(
    home: Home, settings: Settings
) -> None:
    take(home, settings, "half.csv", HALF_READ)
    take(home, settings, "other.csv", OTHER)
    assert take(home, settings, "unknown.csv", UNKNOWN).status == "refused"
    assert redo(home, settings) == {}
    proposed = home.columns / "proposed" / "half.csv.layout.toml"
    (home.columns / "legs.toml").write_text(proposed.read_text())
    again = redo(home, settings)
    # The proposal does not require a column: it fits the other table with its time and rate, too.
    assert again["half.csv"].status == "stored"
    assert "unknown.csv" not in again
    recording = read_recording(again["half.csv"].recording_ids[0], lake=home.lake)
    assert read_floats(recording.samples, "power_w").tolist() == [7.0] * 9
    assert ", layout half " in recording.header.reader
    assert not proposed.exists()
    assert redo(home, settings) == {}


def test_a_layout_for_a_refused_file_takes_it_out_of_refused(
    home: Home, settings: Settings
) -> None:
    take(home, settings, "unknown.csv", UNKNOWN)
    (home.columns / "own.toml").write_text(
        'name = "own"\nabout = "invented"\n[time]\nform = "stamp"\ncolumn = ["when"]\n'
        '[[column]]\ntheirs = ["what"]\nours = "heart_rate_bpm"\nunit = "bpm"\n'
    )
    assert redo(home, settings)["unknown.csv"].status == "stored"
    assert list(home.refused.iterdir()) == []


def test_a_changed_and_a_removed_layout_read_again_what_they_had_read(
    home: Home, settings: Settings
) -> None:
    layout = home.columns / "own.toml"
    layout.write_text(
        'name = "own"\nabout = "invented"\n[time]\nform = "stamp"\ncolumn = ["time"]\n'
        '[[column]]\ntheirs = ["hr"]\nours = "heart_rate_bpm"\nunit = "bpm"\n'
        '[[column]]\ntheirs = ["mood"]\nours = "distance_m"\nunit = "m"\n'
    )
    redo(home, settings)
    first = take(home, settings, "other.csv", OTHER)

    def read_distance() -> list[float]:
        recording = read_recording(first.recording_ids[0], lake=home.lake)
        return [float(one) for one in read_floats(recording.samples, "distance_m")[:1]]

    assert read_distance() == [7.0]
    layout.write_text(layout.read_text().replace('"m"', '"km"'))
    assert redo(home, settings)["other.csv"].status == "stored"
    assert read_distance() == [7000.0]
    layout.unlink()
    assert redo(home, settings)["other.csv"].status == "stored"
    assert read_distance() != [7000.0]
