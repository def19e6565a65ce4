"""What a run that was killed between store and ledger left behind is made up for."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

from config.settings import load_settings
from tasks import processing
from tasks.archive.ledger import Ledger
from tasks.core.provenance import begin_run
from tasks.ingest import exports
from tasks.store import read_store
from tests.faults import crash

if TYPE_CHECKING:
    from pathlib import Path

    from config.home import Home


def settle_once(home: Home, *, tell_ledger: bool) -> None:
    settings = load_settings(home.settings)
    run = begin_run("test", settings_hash=settings.hash_of_values)
    prepared = processing.prepare(home, settings)
    outcomes = [
        processing.measure_planned(one, home=home, settings=settings)
        for one in prepared.plan.workouts
    ]
    processing.commit(prepared, outcomes, run=run, home=home, settings=settings, wait_s=5.0)
    if tell_ledger:
        processing.finish(prepared, outcomes, home=home)


def test_a_duplicate_stays_one_when_the_ledger_was_not_told(tmp_path: Path) -> None:
    home = crash.make_home(tmp_path / "home")
    for form in ("fit", "gpx"):
        path = home.inbox / f"run.{form}"
        shutil.copyfile(crash.DEMO / f"2025-11-16-track-laps-alder-1.{form}", path)
        file = exports.Dropped(path, path.name)
        exports.ingest_file(file, home=home, settings=load_settings(), move=True)
    settle_once(home, tell_ledger=False)
    settle_once(home, tell_ledger=True)
    with read_store(home) as connection:
        rows = connection.execute("SELECT name, status FROM files ORDER BY name").fetchall()
    assert rows == [("run.fit", "stored"), ("run.gpx", "duplicate")]
    with Ledger(home) as ledger:
        assert {file.name: file.status for file in ledger.list_files()} == dict(rows)
        assert None not in ledger.list_workouts().values()
