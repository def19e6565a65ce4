"""A tester's first week: drops first, describes later, makes mistakes, sets them right."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import duckdb

from config.home import Home
from tests.commands import run_coworn
from tests.pipeline.conftest import clean_environment

if TYPE_CHECKING:
    from pathlib import Path

MONDAY = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
GHOSTS = """
SELECT named FROM (
  SELECT device_id AS named FROM devices WHERE device_id NOT IN (SELECT device_id FROM recordings)
  UNION ALL SELECT device_id FROM latest_results
  UNION ALL SELECT reference FROM latest_results WHERE reference_kind IN ('device', 'comparison')
  UNION ALL SELECT device_id FROM setups
  UNION ALL SELECT device_id FROM latest_verdicts
) WHERE named NOT IN (SELECT device_id FROM recordings)
"""
STATE = (
    "SELECT * EXCLUDE (run_id, computed_at) FROM latest_results ORDER BY ALL",
    "SELECT * FROM recordings ORDER BY ALL",
    "SELECT * FROM workouts ORDER BY ALL",
    "SELECT * FROM devices ORDER BY ALL",
    "SELECT * FROM setups ORDER BY ALL",
    "SELECT * FROM exclusions ORDER BY ALL",
    "SELECT file_id, status, reason FROM files ORDER BY ALL",
)


class Person:
    """Somebody with a home, typing commands."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.home = Home(folder / "home")

    def type(self, *words: object, code: int = 0) -> tuple[str, str]:
        done = run_coworn(*words, "--home", self.home.root, env=clean_environment())
        assert done.returncode == code, done.stdout + done.stderr
        return done.stdout, done.stderr

    def drop(self, code: int = 0, **files: str) -> tuple[str, str]:
        paths = []
        for name, text in files.items():
            paths.append(self.folder / name.replace("__", ".").replace("_", "-"))
            paths[-1].write_text(text)
        return self.type("ingest", *paths, code=code)

    def ask(self, query: str) -> list[tuple[Any, ...]]:
        with duckdb.connect(str(self.home.results), read_only=True) as connection:
            return connection.execute(query).fetchall()

    def find_page(self) -> str:
        return "".join(path.read_text() for path in sorted(self.home.report.rglob("*.html")))


def write_rates(start: datetime, higher_bpm: int, *, dry_s: int = 0, step: int = 15) -> str:
    rows = [
        f"{start + timedelta(seconds=n):%Y-%m-%dT%H:%M:%SZ},"
        f"{80 if n < dry_s else 120 + higher_bpm + step * (n // 90 % 4) + n % 2}"
        for n in range(901)
    ]
    return "time,heart_rate\n" + "\n".join(rows) + "\n"


def test_a_first_week_leaves_no_ghosts_and_a_rebuild_gives_the_same_home(tmp_path: Path) -> None:
    tester = Person(tmp_path)
    # Monday: everything is dropped, nothing is described.
    shown, _ = tester.drop(
        maple_mon__csv=write_rates(MONDAY, 3), strap_mon__csv=write_rates(MONDAY, 0, dry_s=300)
    )
    assert "no reference is named" in shown
    shown, _ = tester.type("devices")
    assert re.search(r'id = "maple-mon"\n.*\n.*\nrole = "reference"', shown)
    tester.type("devices", "--write")
    # The guesses are corrected by hand, and one id is another one.
    text = tester.home.devices.read_text()
    first, second = text.split("[[device]]")[1:]
    first = first.replace('"reference"', '"test"').replace('"maple-mon"', '"maple"')
    first = first.replace("*maple-mon*", "maple*") + 'was = ["maple-mon"]\n'
    second = second.replace('"strap-mon"', '"strap"').replace("*strap-mon*", "strap*")
    tester.home.devices.write_text(f"[[device]]{first}\n[[device]]{second}")
    # Tuesday: notes that name the former id, and a typing error in others.
    start = f"start = {MONDAY.isoformat()}\n"
    tester.drop(run__notes__toml=start + '[setup.maple-mon]\nwrist = "left"\n')
    assert tester.ask("SELECT device_id, value FROM setups") == [("maple", "left")]
    assert tester.ask(GHOSTS) == []
    _, errors = tester.drop(code=1, place__notes__toml=start + 'place = "trak"\n')
    assert "did you mean 'track'?" in errors
    more = 'place = "track"\nnote = "windy"\n[setup.maple]\nwrist = "left"\n'
    tester.drop(place__notes__toml=start + more)
    assert list(tester.home.refused.iterdir()) == []
    assert "windy" in tester.find_page()
    # Wednesday: the strap had been dry.
    words = ("--device", "strap", "--domain", "heart rate", "--until", "05:00")
    shown, _ = tester.type("exclude", "2026", *words, "--because", "it was dry")
    assert "set aside: heart rate of strap until 06:05:00 UTC (it was dry)" in shown
    value = "SELECT value FROM main_results WHERE metric = 'hr_mae_bpm' AND segment = 'all' "
    assert tester.ask(value + "AND device_id = 'maple'") == [(3.0,)]
    # Thursday: a friend's strap, worn at the same time, is no partner; another file was a mistake.
    wednesday = MONDAY + timedelta(days=2)
    tester.drop(
        maple_wed__csv=write_rates(wednesday, 3),
        strap_wed__csv=write_rates(wednesday, 0),
        maple_noon__csv=write_rates(wednesday + timedelta(hours=4), 3, step=9),
        friend__csv=write_rates(wednesday + timedelta(days=3), 9, step=4),
    )
    ((recording,),) = tester.ask("SELECT recording_id FROM files WHERE name = 'strap-wed.csv'")
    tester.type("move", recording, "--apart")
    assert tester.ask("SELECT count(*) FROM workouts") == [(5,)]
    tester.type("remove", "friend.csv", "--because", "not mine")
    assert tester.ask("SELECT count(*) FROM workouts") == [(4,)]
    assert tester.ask(GHOSTS) == []
    # Friday: a ride after a long break belongs to it; of Monday only the first part counts.
    pieces = tester.ask(
        "SELECT workout_id FROM recordings JOIN files USING (file_id) "
        "WHERE name IN ('maple-wed.csv', 'maple-noon.csv') ORDER BY start_utc"
    )
    tester.type("join", *(workout for (workout,) in pieces))
    tester.type("split", "20260504", "--at", "10:00")
    assert tester.ask("SELECT count(*) FROM workouts") == [(4,)]
    # Saturday: what was mistaken is taken back, what is a friend's is forgotten.
    tester.type("move", recording, "--undo")
    assert tester.ask("SELECT count(*) FROM workouts") == [(3,)]
    tester.type("remove", "friend.csv", "--forget")
    tester.type("exclude", "20260504T0600", "--undo")
    assert tester.ask("SELECT * FROM exclusions") == []
    assert tester.ask(GHOSTS) == []
    held = [
        path
        for path in tester.home.root.rglob("*")
        if path.is_file() and b"friend.csv" in path.read_bytes()
    ]
    assert held == []
    # Sunday: everything again from the originals.
    before = [tester.ask(query) for query in STATE]
    tester.type("rebuild")
    assert [tester.ask(query) for query in STATE] == before
