"""`coworn explain` tells which notes a workout's results rest on, and which workouts use notes."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from config.home import Home
from config.settings import load_settings
from flows.commands.declare import Options
from flows.commands.explain import explain
from tasks.core.provenance import begin_run
from tasks.ingest.exports import Dropped, ingest_file
from tasks.processing import commit, finish, measure_planned, prepare
from tasks.store import publish, read_store

if TYPE_CHECKING:
    from pathlib import Path

SETTINGS = load_settings()
START = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)


@pytest.fixture
def home(tmp_path: Path) -> Home:
    made = Home(tmp_path)
    made.create()
    rows = [
        f"{(START + timedelta(seconds=10 * n)):%Y-%m-%dT%H:%M:%SZ},{120 + n % 7}"
        for n in range(181)
    ]
    files = {
        "watch.csv": "time,heart_rate\n" + "\n".join(rows) + "\n",
        "winter.notes.csv": f"start,device,wrist\n{START.isoformat()},watch,left\n",
    }
    made.devices.write_text('[[device]]\nid = "watch"\nname = "W"\nmatch = [{filename = "w*"}]\n')
    for name, text in files.items():
        path = made.inbox / name
        path.write_text(text)
        ingest_file(Dropped(path, name), home=made, settings=SETTINGS, move=True)
    prepared = prepare(made, SETTINGS)
    outcomes = [
        measure_planned(planned, home=made, settings=SETTINGS) for planned in prepared.plan.workouts
    ]
    run = begin_run("drop", settings_hash=SETTINGS.hash_of_values)
    commit(prepared, outcomes, run=run, home=made, settings=SETTINGS, wait_s=10.0)
    finish(prepared, outcomes, home=made)
    publish(made, SETTINGS)
    return made


def test_a_workout_names_its_notes_and_notes_name_their_workouts(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    with read_store(home) as connection:
        ((workout_id,),) = connection.execute("SELECT workout_id FROM workouts").fetchall()
    assert explain(Options(home.root), workout_id) == 0
    assert "Its notes are winter.notes.csv." in capsys.readouterr().out
    assert explain(Options(home.root), "winter.notes.csv") == 0
    told = capsys.readouterr().out
    assert "workouts that use these notes" in told
    assert workout_id in told


def test_a_workout_is_told_within_the_width_of_a_terminal(
    home: Home, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    with read_store(home) as connection:
        ((workout_id,),) = connection.execute("SELECT workout_id FROM workouts").fetchall()
    explain(Options(home.root), workout_id)
    lines = capsys.readouterr().out.splitlines()
    assert [line for line in lines if len(line) > 80 and "file_id" not in line] == []
    assert any(line.startswith("watch, compared with nothing") for line in lines)
    assert any("  version 1" in line for line in lines)
