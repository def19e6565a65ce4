"""An export that counts for nothing and comes back, and one that is forgotten for good."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest

from config.devices import load_devices
from config.session import Session
from config.settings import load_settings
from flows.runs.forget import resume_forgetting, run_forget
from flows.runs.nightly import run_nightly
from tasks.archive.ledger import Ledger
from tasks.core.errors import NotesError
from tasks.processing.corrections import list_removed, write_removal
from tasks.processing.forget import begin_forgetting, forget, list_with_members
from tasks.readers.notes import read_notes
from tests.unit.processing.test_notes_change import line
from tests.unit.processing.test_set_aside import drop_exports, list_results, read_value

if TYPE_CHECKING:
    from pathlib import Path

    from config.home import Home
    from tasks.core.file_records import FileRecord
    from tests.unit.processing.test_notes_change import Line

__all__ = ["line"]

STRAP = "strap.csv"


def find_file(line: Line, name: str) -> FileRecord:
    with Ledger(line.home) as ledger:
        (file,) = ledger.find_files_named(name)
    return file


def open_session(home: Home) -> Session:
    return Session(home, load_settings(), load_devices(home.devices))


def set_removed(line: Line, name: str, *, undo: bool = False) -> None:
    file = find_file(line, name)
    notes, text = write_removal(
        file, because="not mine", undo=undo, written=datetime.now(UTC), home=line.home
    )
    _, summary = line.run(**{notes.replace(".", "__"): text})
    assert (summary.complaints, summary.hints) == ((), ())


def find_bytes(folder: Path, wanted: bytes) -> list[str]:
    return [
        str(path.relative_to(folder))
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.is_symlink() and wanted in path.read_bytes()
    ]


def test_a_removed_export_counts_for_nothing_and_comes_back_to_the_bit(line: Line) -> None:
    drop_exports(line)
    before = list_results(line)
    assert read_value(line, "hr_mae_bpm") is not None
    set_removed(line, STRAP)
    assert line.ask("SELECT device_id FROM devices ORDER BY 1") == [("band",), ("watch",)]
    assert line.ask("SELECT n_devices FROM workouts") == [(2,)]
    assert read_value(line, "hr_mae_bpm") == pytest.approx(3.0)
    assert line.ask("SELECT reason FROM files WHERE name = ?", STRAP) == [("removed: not mine",)]
    assert list(list_removed(line.home).values()) == ["not mine"]
    set_removed(line, STRAP, undo=True)
    assert list_results(line) == before
    assert list_removed(line.home) == {}


def test_the_only_export_of_a_workout_takes_it_along_and_brings_it_back(line: Line) -> None:
    line.run(watch__csv="time,heart_rate\n2026-05-04T06:00:00Z,120\n2026-05-04T06:01:00Z,121\n")
    ids = line.ask("SELECT workout_id FROM workouts")
    set_removed(line, "watch.csv")
    assert line.ask("SELECT count(*) FROM workouts") == [(0,)]
    assert line.ask("SELECT count(*) FROM recordings") == [(0,)]
    set_removed(line, "watch.csv", undo=True)
    assert line.ask("SELECT workout_id FROM workouts") == ids


def test_removed_notes_count_for_nothing(line: Line) -> None:
    text = "start = 2026-05-04T06:00:00Z\nactivity = 'hiking'\n"
    drop_exports(line, a__notes__toml=text)
    assert line.ask("SELECT activity FROM workouts") == [("hiking",)]
    set_removed(line, "a.notes.toml")
    assert line.ask("SELECT activity_from FROM workouts") != [("notes",)]


@pytest.mark.parametrize("text", ["remove = 3\n", '[[remove]]\nfile = "ab"\n', "[[remove]]\n"])
def test_a_removal_of_no_file_is_refused(text: str) -> None:
    with pytest.raises(NotesError, match=r"line [23]: .*is no id of an export|line 2: "):
        read_notes("start = 2026-05-04T06:00:00Z\n" + text, name="a.notes.toml")


def test_a_forgotten_export_is_nowhere_and_the_rest_is_measured_without_it(line: Line) -> None:
    drop_exports(line)
    session = open_session(line.home)
    run_nightly(session)
    file = find_file(line, STRAP)
    held = find_bytes(line.home.root, STRAP.encode())
    assert {path.partition("/")[0] for path in held} >= {"state", "published", "backups"}
    report = run_forget(session, [file])
    assert report.forgotten.originals == 1
    assert (report.copies, report.backups) != (0, 0)
    for wanted in (STRAP, file.file_id, file.recording_ids[0]):
        assert find_bytes(line.home.root, wanted.encode()) == []
    assert line.ask("SELECT DISTINCT device_id FROM results ORDER BY 1") == [("band",), ("watch",)]
    assert read_value(line, "hr_mae_bpm") == pytest.approx(3.0)
    assert len(list(line.home.backups.glob("*.duckdb"))) == 1
    pages = "".join(path.read_text() for path in line.home.report.rglob("*.html"))
    assert "Old strap" not in pages
    # Dropped again it is new.
    drop_exports(line)
    assert line.ask("SELECT count(*) FROM recordings") == [(3,)]


@pytest.mark.parametrize("done", [0, 1])
def test_a_kill_while_forgetting_is_made_up_for_by_the_next_night(line: Line, done: int) -> None:
    drop_exports(line)
    session = open_session(line.home)
    run_nightly(session)
    file = find_file(line, STRAP)
    with Ledger(line.home) as ledger:
        files = list_with_members(ledger.list_files(), [file.file_id])
    begin_forgetting(line.home, files)
    if done:
        forget(line.home, files, wait_s=5.0)
    run_nightly(session)
    assert find_bytes(line.home.root, file.file_id.encode()) == []
    assert read_value(line, "hr_mae_bpm") == pytest.approx(3.0)
    resume_forgetting(session)
    assert line.ask("SELECT count(*) FROM recordings") == [(2,)]
