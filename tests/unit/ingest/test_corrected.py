"""Corrected notes: a bad line costs that line, and what was refused before is cleared."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from config.home import Home
from config.settings import load_settings
from tasks.archive.ledger import Ledger
from tasks.ingest.exports import Dropped, FileOutcome, finish_file, ingest_file
from tasks.readers.notes import read_lines_of_notes

if TYPE_CHECKING:
    from pathlib import Path

SETTINGS = load_settings()
GOOD = "start = 2026-05-04T08:00:00+02:00\nplace = 'track'\n"
BAD = "start = 2026-05-04T08:00:00+02:00\nplace = 'trak'\n"
SHEET = (
    "start,device,place,battery end\n"
    "2026-05-04T08:00:00Z,watch,track,81\n"
    "2026-05-04T08:00:00Z,strap,,130\n"
    "yesterday,watch,,\n"
    "2026-05-05T08:00:00Z,watch,trak,\n"
    "2026-05-06T08:00:00Z,watch,gym,80\n"
)


@pytest.fixture
def home(tmp_path: Path) -> Home:
    home = Home(tmp_path)
    home.create()
    return home


def drop(home: Home, name: str, text: str) -> FileOutcome:
    path = home.inbox / name
    path.write_text(text)
    (outcome,) = ingest_file(Dropped(path, name), home=home, settings=SETTINGS, move=True)
    return outcome


def list_statuses(home: Home) -> list[str]:
    with Ledger(home) as ledger:
        return [file.status for file in ledger.list_files()]


def test_bad_lines_of_a_spreadsheet_are_named_and_all_others_count(home: Home) -> None:
    outcome = drop(home, "a.notes.csv", SHEET)
    assert outcome.status == "partial"
    assert outcome.reason is not None
    assert [f"line {number}: " in outcome.reason for number in range(1, 7)] == [
        False,
        False,
        True,
        True,
        True,
        False,
    ]
    notes, refused = read_lines_of_notes(SHEET, name="a.notes.csv", zone="UTC")
    assert [one.place for one in notes] == ["track", "gym"]
    assert [set(one.setup) for one in notes] == [{"watch"}, {"watch"}]
    assert [error.line for error in refused] == [3, 4, 5]


@pytest.mark.parametrize(
    "text", ["place\ntrack\n", "start\nyesterday\ntomorrow\n", 'start\n"2026\n', ""]
)
def test_a_spreadsheet_of_which_nothing_is_left_is_refused(home: Home, text: str) -> None:
    assert drop(home, "a.notes.csv", text).status == "refused"


def test_corrected_notes_clear_those_that_were_refused(home: Home) -> None:
    assert drop(home, "a.notes.toml", BAD).status == "refused"
    assert drop(home, "b.notes.toml", BAD + "\n").status == "refused"
    assert len(list(home.refused.iterdir())) == 4
    assert drop(home, "a.notes.toml", GOOD).status == "stored"
    assert list_statuses(home) == ["duplicate", "refused", "stored"]
    assert sorted(path.name for path in home.refused.iterdir()) == [
        "b.notes.toml",
        "b.notes.toml.why.txt",
    ]


def test_reading_everything_again_says_the_same_in_any_order(home: Home) -> None:
    drop(home, "a.notes.toml", BAD)
    drop(home, "a.notes.toml", GOOD)
    before = list_statuses(home)
    with Ledger(home) as ledger:
        files = ledger.list_files()
    for order in (files, files[::-1]):
        for file in order:
            finish_file(file, home=home, settings=SETTINGS)
        assert list_statuses(home) == before == ["duplicate", "stored"]
        assert list(home.refused.iterdir()) == []


def test_notes_that_are_spoilt_later_are_refused_and_the_good_ones_hold(home: Home) -> None:
    drop(home, "a.notes.toml", GOOD)
    assert drop(home, "a.notes.toml", BAD).status == "refused"
    assert list_statuses(home) == ["stored", "refused"]
