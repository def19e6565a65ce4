"""Published numbers agree with each other, in a home whose exports nobody here simulated."""

from __future__ import annotations

import contextlib
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest

from config.settings import load_settings
from tasks.ingest import exports
from tasks.store import connect_for_reading
from tests.contract.numbers import find_two_spellings, list_questions, list_views
from tests.unit.report_home import settle_all
from tests.unit.second_hand import BEATS_DAY, build_second_hand_home

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    import duckdb

    from config.home import Home

#: A run of 75 minutes: long enough for intervals of its own.
LONG_DAY = datetime(2026, 4, 4, 6, 30, tzinfo=UTC)
N_SECONDS = 4500
QUESTIONS = list_questions()
VIEWS = list_views()
#: What such a run cannot have: a pool, a treadmill, a start that is known from outside.
WITHOUT = ("indoor", "detection", "swimming")


def write_run(path: Path, *, serial: int, noise_bpm: float, stretch: float) -> Path:
    """Write a CSV of a loop run three times, with errors that last some seconds."""
    generator = np.random.default_rng(serial)
    seconds = np.arange(N_SECONDS)
    wave = np.sin(2 * np.pi * seconds / 310.0)
    errors = np.zeros(N_SECONDS)
    for second in range(1, N_SECONDS):
        errors[second] = 0.8 * errors[second - 1] + 0.6 * generator.normal()
    heart = np.round(140 + 18 * wave + noise_bpm * errors)
    speed = 3.0 + 0.5 * wave + 0.05 * generator.normal(size=N_SECONDS)
    distance = stretch * np.cumsum(speed)
    turn = 2 * np.pi * distance / (distance[-1] / 3)
    north = 0.006 * np.cos(turn) + 1e-5 * generator.normal(size=N_SECONDS)
    east = 0.010 * np.sin(turn) + 1e-5 * generator.normal(size=N_SECONDS)
    height = 300 + 25 * np.sin(turn) + 0.3 * generator.normal(size=N_SECONDS)
    lines = ["time,heart_rate,speed_mps,distance_m,altitude_m,latitude,longitude"]
    lines += [
        f"{LONG_DAY + timedelta(seconds=int(s)):%Y-%m-%dT%H:%M:%SZ},{heart[s]:.0f},{speed[s]:.3f},"
        f"{distance[s]:.1f},{height[s]:.1f},{47.1 + north[s]:.7f},{8.3 + east[s]:.7f}"
        for s in seconds
    ]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def connection(tmp_path_factory: pytest.TempPathFactory) -> Iterator[duckdb.DuckDBPyConnection]:
    folder = tmp_path_factory.mktemp("numbers")
    home = build_second_hand_home(folder)
    known = home.devices.read_text(encoding="utf-8")
    for serial, name in ((1001, "strap"), (1002, "watch"), (1003, "older")):
        known = known.replace(
            f"{{serial = {serial}}}", f"{{serial = {serial}}}, {{folder = '{name}'}}"
        )
    home.devices.write_text(known, encoding="utf-8")
    files = [
        (write_run(folder / "a.csv", serial=1, noise_bpm=0.3, stretch=1.0), "strap"),
        (write_run(folder / "b.csv", serial=2, noise_bpm=2.5, stretch=1.01), "watch"),
        (write_run(folder / "c.csv", serial=3, noise_bpm=4.0, stretch=0.98), "older"),
    ]
    for day, firmware in ((LONG_DAY, "4.1"), (BEATS_DAY, "4.10")):
        notes = folder / f"{day:%m-%d}.notes.toml"
        truth = "distance_m = 13500\n" if day == LONG_DAY else ""
        notes.write_text(
            f'start = {day:%Y-%m-%dT%H:%M:%SZ}\nactivity = "running"\n[truth]\n{truth}'
            f'[setup.watch]\nfirmware = "{firmware}"\nbattery_start_pct = 90\n'
            "battery_end_pct = 80\n",
            encoding="utf-8",
        )
        files.append((notes, ""))
    take(home, files)
    with contextlib.closing(connect_for_reading(home)) as opened:
        yield opened


def take(home: Home, files: list[tuple[Path, str]]) -> None:
    settings = load_settings()
    for path, folder in files:
        name = f"{folder}/{path.name}" if folder else path.name
        exports.ingest_file(exports.Dropped(path, name), home=home, settings=settings, move=False)
    settle_all(home)


@pytest.mark.parametrize("claim", QUESTIONS)
def test_numbers_of_a_second_hand(connection: duckdb.DuckDBPyConnection, claim: str) -> None:
    question = QUESTIONS[claim]
    if "latest_levels" not in question.asked and "latest_limits" not in question.asked:
        assert connection.execute(question.asked).fetchall()[0][0] > 0
    assert connection.execute(question.wrong).fetchall() == []


@pytest.mark.parametrize("domain", VIEWS)
def test_a_wide_view_averages_what_counts(
    connection: duckdb.DuckDBPyConnection, domain: str
) -> None:
    question = VIEWS[domain]
    if domain not in WITHOUT:
        assert connection.execute(question.asked).fetchall()[0][0] > 0
    assert connection.execute(question.wrong).fetchall() == []


def test_a_firmware_has_one_spelling(connection: duckdb.DuckDBPyConnection) -> None:
    assert find_two_spellings(lambda query: connection.execute(query).fetchall()) == []
    used = connection.execute("SELECT DISTINCT value FROM setups WHERE key = 'firmware'").fetchall()
    assert used == [("4.10",)]
