"""When the night is due, and in which words Prefect is told."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import pytest

from config.home import Home
from flows.commands.watch import NightlyClock
from flows.engine.deploying import find_local_zone, make_cron
from flows.runs.nightly import find_last_due
from tasks.archive.ledger import LAST_NIGHTLY, Ledger

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

BERLIN = ZoneInfo("Europe/Berlin")


def test_the_last_due_instant_is_today_after_the_hour() -> None:
    now = datetime(2026, 5, 2, 3, 0, tzinfo=BERLIN)
    assert find_last_due(now, "03:00") == now


def test_the_last_due_instant_is_yesterday_before_the_hour() -> None:
    now = datetime(2026, 5, 2, 2, 59, tzinfo=BERLIN)
    assert find_last_due(now, "03:00") == datetime(2026, 5, 1, 3, 0, tzinfo=BERLIN)


def test_the_last_due_instant_keeps_its_hour_when_clocks_change() -> None:
    # Clocks go forward on 2026-03-29 at 02:00 in this zone.
    now = datetime(2026, 3, 29, 12, 0, tzinfo=BERLIN)
    assert find_last_due(now, "03:30").astimezone(UTC) == datetime(2026, 3, 29, 1, 30, tzinfo=UTC)


def _clock(home: Home, now: list[datetime]) -> NightlyClock:
    read: Callable[[], datetime] = lambda: now[0]  # noqa: E731 - a clock that the test sets
    return NightlyClock(home, "03:00", now=read)


@pytest.fixture
def home(tmp_path: Path) -> Home:
    made = Home(tmp_path)
    made.create()
    return made


def _local(*parts: int) -> datetime:
    return datetime(*parts).astimezone()  # type: ignore[arg-type]


def test_a_new_home_waits_for_the_hour(home: Home) -> None:
    now = [_local(2026, 5, 2, 12, 0)]
    clock = _clock(home, now)
    assert not clock.is_due()
    now[0] = _local(2026, 5, 3, 2, 59)
    assert not clock.is_due()
    now[0] = _local(2026, 5, 3, 3, 1)
    assert clock.is_due()


def test_a_night_that_was_missed_is_made_up_for(home: Home) -> None:
    with Ledger(home) as ledger:
        ledger.remember(LAST_NIGHTLY, _local(2026, 5, 1, 3, 0).isoformat())
    assert _clock(home, [_local(2026, 5, 2, 12, 0)]).is_due()


def test_a_night_that_ran_is_not_run_again(home: Home) -> None:
    with Ledger(home) as ledger:
        ledger.remember(LAST_NIGHTLY, _local(2026, 5, 2, 3, 0).isoformat())
    assert not _clock(home, [_local(2026, 5, 2, 12, 0)]).is_due()


def test_a_clock_that_was_set_back_does_not_stop_the_nights(home: Home) -> None:
    with Ledger(home) as ledger:
        ledger.remember(LAST_NIGHTLY, _local(2031, 1, 1, 3, 0).isoformat())
    now = [_local(2026, 5, 2, 12, 0)]
    clock = _clock(home, now)
    assert not clock.is_due()
    now[0] = _local(2026, 5, 3, 3, 1)
    assert clock.is_due()


def test_a_clock_set_back_while_watching_does_not_stop_the_nights(home: Home) -> None:
    now = [_local(2031, 1, 1, 12, 0)]
    clock = _clock(home, now)
    now[0] = _local(2026, 5, 2, 12, 0)
    assert not clock.is_due()
    now[0] = _local(2026, 5, 3, 3, 1)
    assert clock.is_due()


def test_the_hour_becomes_a_daily_cron_line() -> None:
    assert make_cron("03:05") == "5 3 * * *"
    assert make_cron("23:00") == "0 23 * * *"


def test_the_zone_of_the_environment_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "Pacific/Auckland")
    assert find_local_zone() == "Pacific/Auckland"


def test_whatever_the_machine_says_is_a_zone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "no such zone")
    named = ZoneInfo(find_local_zone())
    instant = datetime(2026, 1, 1, tzinfo=UTC)
    assert abs(named.utcoffset(instant.astimezone(named)) or timedelta(0)) <= timedelta(hours=14)
