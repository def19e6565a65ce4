"""A night and a rebuild name a rotten original, and keep what was read while it was whole."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from config.home import Home
from config.session import Session
from config.settings import load_settings
from flows.commands.check import look_at_everything
from flows.runs.nightly import run_nightly
from flows.runs.rebuild import run_rebuild
from tasks.archive.lake import has_recording, read_rows
from tasks.archive.originals import find_original
from tasks.ingest.exports import Dropped, ingest_file
from tasks.tables.tables import SAMPLES
from tests.unit.archive.test_rot import TEXT, flip_bits

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def session(tmp_path: Path) -> Session:
    home = Home(tmp_path / "home")
    home.create()
    return Session(home, load_settings(), ())


def drop(session: Session, folder: Path) -> tuple[str, str]:
    path = folder / "run.csv"
    path.write_text(TEXT, encoding="utf-8")
    (outcome,) = ingest_file(
        Dropped(path, path.name), home=session.home, settings=session.settings, move=False
    )
    return outcome.file_id, outcome.recording_ids[0]


def test_both_name_it_and_no_number_comes_from_it(session: Session, tmp_path: Path) -> None:
    home = session.home
    file_id, recording_id = drop(session, tmp_path)
    assert not any(one.is_problem for one in run_nightly(session).outcomes)
    before = read_rows(SAMPLES, recording_id, lake=home.lake)
    original = find_original(file_id, home=home)
    assert original is not None
    flip_bits(original)
    night = [one for one in run_nightly(session).outcomes if one.is_problem]
    assert [(one.name, one.status) for one in night] == [("run.csv", "failed")]
    assert f"{original.name} is damaged" in str(night[0].reason)
    rebuilt = [one for one in run_rebuild(session).outcomes if one.is_problem]
    assert {(one.name, one.status) for one in rebuilt} == {("run.csv", "failed")}
    assert "what was read of it before is kept" in str(rebuilt[0].reason)
    assert read_rows(SAMPLES, recording_id, lake=home.lake).equals(before)
    (told,) = [one for one in look_at_everything(home, session.settings) if one.name == "originals"]
    assert not told.is_fit
    assert "run.csv" in told.found
    # The lake goes too: now nothing is left of it, and the night says so instead of reading it.
    for path in home.lake.rglob("*.parquet"):
        path.unlink()
    assert [one.status for one in run_nightly(session).outcomes] == ["failed"]
    assert not has_recording(recording_id, lake=home.lake)
    drop(session, tmp_path)
    assert not any(one.is_problem for one in run_nightly(session).outcomes)
    assert read_rows(SAMPLES, recording_id, lake=home.lake).equals(before)
