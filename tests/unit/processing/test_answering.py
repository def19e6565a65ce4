"""Which answers across workouts a run renews, and which wait for the night."""

from __future__ import annotations

import sys
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from config.home import Home
from config.settings import load_settings
from tasks.core.provenance import begin_run
from tasks.processing.answering import Answered, renew_answers
from tasks.store import open_store, replace_rows
from tasks.tables.arrow import make_rows
from tasks.tables.tables import RECORDINGS

if TYPE_CHECKING:
    from pathlib import Path

BEGIN = datetime(2026, 3, 1, 7, tzinfo=UTC)
Asked = list[set[str] | None]


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> Asked:
    """The devices that were asked about, in the order of the runs; None: all."""
    calls: Asked = []

    def look_across(*_: object, devices: set[str] | None = None) -> list[object]:
        calls.append(devices)
        return []

    monkeypatch.setattr(sys.modules["tasks.processing.answering"], "look_across", look_across)
    return calls


@pytest.fixture
def home(tmp_path: Path) -> Home:
    """A home in which one device has 300 workouts and another one three."""
    made = Home(tmp_path / "home")
    made.create()
    worn = [("often", number) for number in range(300)] + [("seldom", one) for one in range(3)]
    rows = [
        {
            "recording_id": f"{device_id}-{number}",
            "workout_id": f"w{number}",
            "device_id": device_id,
            "start_utc": BEGIN + timedelta(days=number),
        }
        for device_id, number in worn
    ]
    with open_store(made) as connection:
        replace_rows(connection, RECORDINGS, make_rows(RECORDINGS, rows))
    return made


def renew(home: Home, *, everything: bool = False, **touched: int) -> Answered:
    settings = load_settings()
    run = begin_run("drop", settings_hash=settings.hash_of_values)
    with open_store(home) as connection:
        return renew_answers(
            connection, settings, None, run=run, touched=touched, everything=everything
        )


def test_one_of_hundreds_waits_until_a_hundredth_is_new(home: Home, asked: Asked) -> None:
    renew(home, everything=True)
    assert renew(home, often=1).waiting == ("often",)
    assert renew(home, often=1).waiting == ("often",)
    assert asked == [None]
    assert renew(home, often=1).waiting == ()
    assert asked == [None, {"often"}]
    assert renew(home, often=1).waiting == ("often",)


def test_a_device_with_few_workouts_is_asked_about_each_time(home: Home, asked: Asked) -> None:
    renew(home, everything=True)
    assert renew(home, often=1, seldom=1).waiting == ("often",)
    assert renew(home, seldom=1).waiting == ("often",)
    assert asked == [None, {"seldom"}, {"seldom"}]


def test_the_night_answers_what_waits(home: Home, asked: Asked) -> None:
    renew(home, everything=True)
    renew(home, often=2)
    assert renew(home, everything=True).waiting == ()
    assert renew(home, often=2).waiting == ("often",)
    assert asked == [None, None]


def test_a_device_that_is_gone_is_asked_about(home: Home, asked: Asked) -> None:
    renew(home, everything=True)
    renew(home, vanished=1)
    assert asked == [None, {"vanished"}]


def test_nothing_is_asked_where_nothing_was_touched(home: Home, asked: Asked) -> None:
    renew(home, everything=True)
    assert renew(home) == Answered()
    assert asked == [None]
