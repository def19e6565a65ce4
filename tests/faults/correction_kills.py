"""Kills the commands that set things right with SIGKILL, and looks at what they leave.

Run as `python -m tests.faults.correction_kills --kills 40`, or for some of them with `--only move
remove`. A home with two workouts of two devices is made once; each kill takes a copy of it and a
correction, in turn: half of the kills come right before a drawn change to a file, half at a drawn
moment. What takes a correction back starts from a copy in which that correction was made. After
each, nothing may be lost or half done, and after a nightly run the home says either what it said
before, or what the correction makes of it; done again it says the latter. What is forgotten must
then be in no file.
"""

from __future__ import annotations

import argparse
import functools
import hashlib
import itertools
import logging
import random
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

import duckdb
import pyarrow.parquet as pq

from config.home import Home
from tests.commands import run_coworn
from tests.faults import crash
from tests.faults.command_kills import ROOT, SETTINGS, age, make_environment
from tests.faults.tally import Tally, kill_homes, run_program

if TYPE_CHECKING:
    from collections import Counter
    from collections.abc import Sequence
    from pathlib import Path

LOG: Final = logging.getLogger(__name__)
MONDAY: Final = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
EVENING: Final = MONDAY + timedelta(hours=9)
DEVICES: Final = """
[[device]]
id = "strap"
name = "Strap"
role = "reference"
heart_rate = "ecg"
match = [{filename = "strap*"}]
[[device]]
id = "watch"
name = "Watch"
role = "test"
match = [{filename = "watch*"}]
"""
#: What a home says: without what differs from one run to the next, and without corrections' notes.
_STATE: Final = (
    "SELECT * EXCLUDE (run_id, computed_at) FROM latest_results ORDER BY ALL",
    "SELECT * EXCLUDE (run_id) FROM latest_findings ORDER BY ALL",
    "SELECT * FROM recordings ORDER BY ALL",
    "SELECT * EXCLUDE (notes_file_id, fingerprint) FROM workouts ORDER BY ALL",
    "SELECT * FROM devices ORDER BY ALL",
    "SELECT * FROM setups ORDER BY ALL",
    "SELECT * EXCLUDE (file_id) FROM exclusions ORDER BY ALL",
    "SELECT * EXCLUDE (received_at) FROM files WHERE name NOT LIKE 'corrections-%' ORDER BY ALL",
)
_DEADLINE_S: Final = 300.0
#: The export that is removed, moved and forgotten.
_FILE: Final = "strap2.csv"


@dataclass(frozen=True)
class Correction:
    """A command; words in braces are ids of the home: two workouts, a recording.

    `earlier` is a command that was typed before: what is to be taken back. `renames` says that the
    devices file is changed before, `forgets` that an export is gone.
    """

    name: str
    words: tuple[str, ...]
    earlier: tuple[str, ...] = ()
    renames: bool = False
    forgets: bool = False


_EXCLUDE: Final = ("exclude", "{first}", "--device", "strap", "--because", "it was dry")
_JOIN: Final = ("join", "{first}", "{second}")
_SPLIT: Final = ("split", "{first}", "--at", "05:00")
_MOVE: Final = ("move", "{recording}", "--apart")
_REMOVE: Final = ("remove", _FILE)
CORRECTIONS: Final = (
    Correction("exclude", _EXCLUDE),
    Correction("join", _JOIN),
    Correction("split", _SPLIT),
    Correction("move", _MOVE),
    Correction("remove", _REMOVE),
    Correction("forget", (*_REMOVE, "--forget"), forgets=True),
    Correction("rename", ("nightly",), renames=True),
    Correction("exclude undone", ("exclude", "{first}", "--undo"), earlier=_EXCLUDE),
    Correction("join undone", ("join", "{first}", "--undo"), earlier=_JOIN),
    Correction("split undone", ("split", "{first}", "--undo"), earlier=_SPLIT),
    Correction("move undone", ("move", "{recording}", "--undo"), earlier=_MOVE),
    Correction("remove undone", (*_REMOVE, "--undo"), earlier=_REMOVE),
)


@dataclass(frozen=True)
class Expected:
    """What the home says before and with a correction, how many files it changes, in what time."""

    before: Any
    state: Any
    n_changes: int
    took_s: float


def write_rates(start: datetime, higher_bpm: int) -> str:
    rows = [
        f"{start + timedelta(seconds=n):%Y-%m-%dT%H:%M:%SZ},"
        f"{120 + higher_bpm + 15 * (n // 90 % 4) + n % 2}"
        for n in range(601)
    ]
    return "time,heart_rate\n" + "\n".join(rows) + "\n"


class Bench:
    """The home that every kill takes a copy of, and what corrections make of it."""

    def __init__(self, folder: Path) -> None:
        self.exports = {
            f"{device}{number}.csv": write_rates(start, higher).encode()
            for number, start in ((1, MONDAY), (2, EVENING))
            for device, higher in (("watch", 3), ("strap", 0))
        }
        self._home = Home(folder / "settled")
        self._home.create()
        self._home.devices.write_text(DEVICES)
        self._home.settings.write_text(SETTINGS)
        for name, data in self.exports.items():
            (self._home.inbox / name).write_bytes(data)
        type_words(self._home, "nightly")
        self._corrected: dict[tuple[str, ...], Home] = {}
        self._expected: dict[str, Expected] = {}
        with duckdb.connect(str(self._home.results), read_only=True) as connection:
            rows = connection.execute("SELECT workout_id FROM workouts ORDER BY 1").fetchall()
            found = connection.execute(
                "SELECT recording_id FROM files WHERE name = ?", [_FILE]
            ).fetchall()
        self._ids = {"first": rows[0][0], "second": rows[1][0], "recording": found[0][0]}

    def copy(self, root: Path, correction: Correction) -> Home:
        home = self._begin(correction.earlier)
        shutil.copytree(home.root, root, symlinks=True)
        home = Home(root)
        if correction.renames:
            text = DEVICES.replace('id = "watch"', 'id = "maple"\nwas = ["watch"]')
            home.devices.write_text(text)
        return home

    def fill(self, words: Sequence[str]) -> list[str]:
        return [word.format(**self._ids) for word in words]

    def _begin(self, earlier: tuple[str, ...]) -> Home:
        """Return the home in which `earlier` was typed, made once."""
        if not earlier:
            return self._home
        if earlier not in self._corrected:
            home = Home(self._home.root.with_name(f"settled-{earlier[0]}"))
            shutil.copytree(self._home.root, home.root, symlinks=True)
            type_words(home, *self.fill(earlier))
            type_words(home, "nightly")
            self._corrected[earlier] = home
        return self._corrected[earlier]

    def expect(self, correction: Correction, folder: Path) -> Expected:
        """Return what comes of a correction that nobody kills; tried once."""
        if correction.name not in self._expected:
            home = self.copy(folder / f"undisturbed-{correction.name}", correction)
            before = read_state(home)
            begun = time.monotonic()
            said = run(home, *self.fill(correction.words), kill_at=0)
            took_s = time.monotonic() - begun
            type_words(home, "nightly")
            state = read_state(home)
            if state == before:
                raise RuntimeError(f"{correction.name} changed nothing: {said}")
            n_changes = int(said.rpartition("changes ")[2])
            self._expected[correction.name] = Expected(before, state, n_changes, took_s)
            shutil.rmtree(home.root)
        return self._expected[correction.name]


def type_words(home: Home, *words: str) -> None:
    """Run a command that nobody kills."""
    done = run_coworn(*words, "--home", home.root, env=make_environment())
    if done.returncode:
        raise RuntimeError(f"{' '.join(words)} ended with {done.returncode}: {done.stderr[-400:]}")


def run(home: Home, *words: str, kill_at: int, kill_after_s: float = 0.0) -> str:
    """Run a command, killed before change `kill_at` or after a time; return what it said."""
    module = ["tests.faults.changes", str(kill_at), str(home.root), *words]
    process = subprocess.Popen(
        [sys.executable, "-m", *module],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=make_environment(),
    )
    try:
        said, _ = process.communicate(timeout=kill_after_s or _DEADLINE_S)
    except subprocess.TimeoutExpired:
        process.kill()
        said, _ = process.communicate()
    if process.returncode not in {0, -signal.SIGKILL} or "Traceback" in said:
        raise RuntimeError(f"{' '.join(words)} ended with {process.returncode}: {said[-400:]}")
    return said


def read_state(home: Home) -> tuple[Any, ...]:
    """Return what two homes with the same corrections must agree on."""
    with duckdb.connect(str(home.results), read_only=True) as connection:
        tables = [connection.execute(query).fetchall() for query in _STATE]
    lake = sorted(
        (
            path.relative_to(home.lake).as_posix(),
            hashlib.sha256(repr(pq.ParquetFile(path).read().to_pylist()).encode()).hexdigest(),
        )
        for path in home.lake.rglob("*.parquet")
        if "pairs" not in path.relative_to(home.lake).parts
    )
    return (*tables, lake, sorted(path.name for path in home.report.rglob("*.html")))


def list_held(home: Home) -> list[str]:
    """Return the files of a home that still name what was forgotten."""
    return [
        path.relative_to(home.root).as_posix()
        for path in home.root.rglob("*")
        if path.is_file() and _FILE.encode() in path.read_bytes()
    ]


def kill_one(
    bench: Bench, root: Path, correction: Correction, chance: random.Random, tally: Tally[str]
) -> None:
    """Kill one correction and follow it up; what is wrong goes to the tally."""
    expected = bench.expect(correction, root.parent)
    home = bench.copy(root, correction)
    words = bench.fill(correction.words)
    if chance.random() < 0.5:
        said = run(home, *words, kill_at=chance.randint(1, expected.n_changes))
    else:
        said = run(home, *words, kill_at=0, kill_after_s=chance.uniform(0.3, expected.took_s))
    if "changes " not in said:
        tally.kills[correction.name] += 1
    exports = {
        name: data
        for name, data in bench.exports.items()
        if not (correction.forgets and name == _FILE)
    }
    # A correction measures a workout again, and rightly so.
    tell = [
        f"{correction.name}: {line}"
        for line in crash.list_broken(home, exports)
        if not line.endswith("was measured twice")
    ]
    age(home)
    type_words(home, "nightly")
    state = read_state(home)
    if state not in (expected.before, expected.state):
        tell.append(f"{correction.name}: half done after a night: {_differ(state, expected.state)}")
    if state != expected.state:
        type_words(home, *words)
        type_words(home, "nightly")
        if (again := read_state(home)) != expected.state:
            tell.append(
                f"{correction.name}: done again it differs: {_differ(again, expected.state)}"
            )
    if correction.forgets:
        tell += [f"{correction.name}: {name} still holds it" for name in list_held(home)]
    tell += [f"{correction.name}: left behind: {name}" for name in crash.list_leftovers(home)]
    tally.broken += tell


def _differ(found: Sequence[Any], expected: Sequence[Any]) -> str:
    parts = (
        f"part {number}: {[row for row in mine if row not in theirs][:1]}, "
        f"not {[row for row in theirs if row not in mine][:1]}"
        for number, (mine, theirs) in enumerate(zip(found, expected, strict=True))
        if mine != theirs
    )
    return "; ".join(parts)


def kill_many(folder: Path, *, n_kills: int, seed: int, only: Sequence[str] = ()) -> Tally[str]:
    """Kill until `n_kills` were counted, each correction, or those named `only`, in turn."""
    folder.mkdir(parents=True, exist_ok=True)
    chance = random.Random(seed)  # noqa: S311 - moments, not secrets
    bench = Bench(folder)
    turns = itertools.cycle([one for one in CORRECTIONS if not only or one.name in only])

    def kill(root: Path, tally: Tally[str], _most: int) -> None:
        kill_one(bench, root, next(turns), chance, tally)

    return kill_homes(kill, folder, n_kills=n_kills)


def show_kills(kills: Counter[str]) -> list[str]:
    """Return a line for each correction."""
    return [f"{one.name:16}{kills[one.name]:6}" for one in CORRECTIONS]


def main() -> int:
    """Be the program."""
    parser = argparse.ArgumentParser(add_help=False)
    names = [one.name for one in CORRECTIONS]
    parser.add_argument("--only", nargs="+", choices=names, default=(), metavar="CORRECTION")
    asked, _ = parser.parse_known_args()
    kill = functools.partial(kill_many, only=asked.only)
    return run_program(kill, show_kills, description=__doc__, n_kills=42, parents=[parser])


if __name__ == "__main__":
    sys.exit(main())
