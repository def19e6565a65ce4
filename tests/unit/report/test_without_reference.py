"""Pages where no device is a reference: differences are called so, a consensus is drawn."""

from __future__ import annotations

from contextlib import closing
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from config.home import Home
from config.settings import load_settings
from tasks.archive import lake
from tasks.ingest import exports
from tasks.report import read
from tasks.report.gather import gather_workout
from tasks.report.pages import list_seconds
from tasks.report.private import hide_private_places
from tasks.report.sections import build_sections, draw_workout
from tasks.report.summary import summarise_devices
from tasks.store import connect_for_reading
from tests.unit.report_home import settle_all
from tests.unit.second_hand import DEVICES, SECONDS, Worn, read_wrist, write_fit

if TYPE_CHECKING:
    from pathlib import Path

    from tasks.report.facts import WorkoutData

TWO_DAY, THREE_DAY = (datetime(2026, 3, day, 7, 0, tzinfo=UTC) for day in (20, 24))


def wear(serial: int, late_s: float) -> Worn:
    return Worn(serial, read_wrist(SECONDS, seed=serial, late_s=late_s))


def write_odd_csv(path: Path) -> Path:
    """Write heart rates with a column of power in a unit that nobody knows."""
    stamps = (TWO_DAY + timedelta(seconds=int(second)) for second in SECONDS)
    rates = read_wrist(SECONDS, seed=9, late_s=2.0)
    rows = [f"{at:%Y-%m-%dT%H:%M:%SZ},{bpm:.0f},0.3" for at, bpm in zip(stamps, rates, strict=True)]
    path.write_text("\n".join(["time,heart_rate,power (horses)", *rows]), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[datetime, WorkoutData]:
    """Two watches on one day, three on another; no strap. A CSV has a column that nobody reads."""
    root = tmp_path_factory.mktemp("without-reference")
    home = Home(root / "home")
    home.create()
    home.devices.write_text(DEVICES, encoding="utf-8")
    lake.ensure_lake(home.lake)
    settings = load_settings()
    days = {TWO_DAY: (1002,), THREE_DAY: (1002, 1003, 1004)}
    for start, serials in days.items():
        for serial in serials:
            path = root / f"{start:%m-%d}-{serial}.fit"
            path.write_bytes(write_fit(wear(serial, serial - 1000.0), start))
            exports.ingest_file(
                exports.Dropped(path, path.name), home=home, settings=settings, move=False
            )
    path = write_odd_csv(root / "odd.csv")
    exports.ingest_file(exports.Dropped(path, path.name), home=home, settings=settings, move=False)
    settle_all(home)
    with closing(connect_for_reading(home)) as connection:
        facts = read.read_workouts(connection)
        return {
            start: gather_workout(
                connection,
                next(one for one in facts.values() if one.start_s == start.timestamp()),
                devices=read.read_devices(connection),
                definitions=read.read_definitions(connection),
                settings=settings,
            )
            for start in days
        }


def say_everything(data: WorkoutData) -> str:
    """Return what charts, their axes and sections say of heart rate."""
    drawings = draw_workout(data)
    said: list[Any] = [section.title for section in build_sections(data, drawings)]
    for section in ("heart_rate", "parts", "response", "agreement"):
        for one in drawings[section]:
            said += [one.title, one.alternative, one.note, one.spec]
    return str(said)


def test_a_difference_between_two_watches_is_nowhere_called_an_error(
    pages: dict[datetime, WorkoutData],
) -> None:
    said = (
        say_everything(pages[TWO_DAY])
        .replace("'field': 'error'", "")
        .replace("'name': 'error'", "")
    )
    assert "error" not in said.casefold()
    assert "reference" not in said
    assert "mean absolute difference (bpm)" in said
    assert "Difference from the beginning of each rise" in said
    assert list_seconds(pages[TWO_DAY])["deviation"] == "difference"


def test_a_consensus_is_a_reference_and_has_its_panel(pages: dict[datetime, WorkoutData]) -> None:
    data = pages[THREE_DAY]
    assert {pair.reference for pair in data.pairs.values()} == {"consensus"}
    said = say_everything(data)
    assert "mean absolute error (bpm)" in said
    assert "Error from the beginning of each rise" in said
    told = list_seconds(data)
    assert told["deviation"] == "error"
    for one in told["devices"]:
        assert one["reference"] == "consensus"
        assert one["compared"] == "against the consensus of the other devices"
        # Each device is left out of what it is compared with: there are three of them.
        both = [
            (test, other)
            for test, other in zip(one["test"], told["references"][one["series"]], strict=True)
            if test is not None and other is not None
        ]
        result = data.find(one["recording_id"], "hr_mae_bpm")
        assert result is not None
        assert np.mean([abs(a - b) for a, b in both]) == pytest.approx(result.value, abs=1e-3)
    assert len(told["references"]) == 3


def test_what_was_noticed_in_an_export_is_on_the_card_and_never_published(
    pages: dict[datetime, WorkoutData],
) -> None:
    data = pages[TWO_DAY]
    assert all(one.remarks == () for one in hide_private_places(data, key=b"key").recordings)
    noticed = [line for one in summarise_devices(data) for line in one.from_file]
    assert any("power (horses)" in line for line in noticed), noticed
