"""What a run that was killed between store and ledger left behind is made up for."""

from __future__ import annotations

import shutil
import sys
from typing import TYPE_CHECKING

import pytest

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


@pytest.fixture
def judged(tmp_path: Path) -> Home:
    """A home with one workout of two devices, measured and judged."""
    home = crash.make_home(tmp_path / "home")
    for name in ("alder-1.fit", "hazel.csv"):
        path = home.inbox / f"strength-{name}"
        shutil.copyfile(crash.DEMO / f"2025-11-26-{path.name}", path)
        file = exports.Dropped(path, path.name)
        exports.ingest_file(file, home=home, settings=load_settings(), move=True)
    settle_once(home, tell_ledger=True)
    return home


def list_judgements(home: Home, monkeypatch: pytest.MonkeyPatch) -> list[set[str] | None]:
    """Run once more; return of which devices it looked across the workouts, None: of all."""
    calls: list[set[str] | None] = []

    def look_across(*_: object, devices: frozenset[str] | None = None) -> list[object]:
        calls.append(None if devices is None else set(devices))
        return []

    # Where a run asks.
    monkeypatch.setattr(sys.modules["tasks.processing.answering"], "look_across", look_across)
    settle_once(home, tell_ledger=True)
    return calls


def test_a_run_that_finds_nothing_new_does_not_judge_again(
    judged: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert list_judgements(judged, monkeypatch) == []


def test_other_settings_are_judged_by_without_a_new_row(
    judged: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = judged.settings.read_text() if judged.settings.exists() else ""
    judged.settings.write_text(f"{text}\n[verdicts]\npower = 0.9\n")
    assert list_judgements(judged, monkeypatch) == [None]
    assert list_judgements(judged, monkeypatch) == []


def test_renamed_devices_are_judged_again(judged: Home, monkeypatch: pytest.MonkeyPatch) -> None:
    judged.devices.write_text(judged.devices.read_text().replace('"Alder 1"', '"Alder one"'))
    assert list_judgements(judged, monkeypatch) == [None]


def test_a_drop_is_judged_for_its_devices_and_those_of_its_workouts_only(
    judged: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("2025-11-16-track-laps-alder-1.fit", "2025-11-26-strength-alder-2.fit"):
        path = judged.inbox / name
        shutil.copyfile(crash.DEMO / name, path)
        file = exports.Dropped(path, path.name)
        exports.ingest_file(file, home=judged, settings=load_settings(), move=True)
        found = list_judgements(judged, monkeypatch)
        alone, joined = {"alder-1"}, {"alder-1", "alder-2", "hazel"}
        assert found == [joined if "strength" in name else alone]
