"""Kills the line with SIGKILL again and again and looks at what it leaves.

Run as `python -m tests.faults.kills --kills 200`. Homes get the same drop; the program that
works on it is killed one to eight times, started again each time, and at last left alone. After
every kill nothing may be lost or half done (`crash.list_broken`), and at the end the home must
say the same as one in which nothing was ever killed. Half of the kills come at a moment drawn
from a seeded generator in a stage drawn from it, the others right before a change to a file, the
number of which is drawn. It prints the kills by stage; the exit code is 1 when anything broke.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import random
import shutil
import signal
import subprocess
import sys
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, Self

from tests.faults import crash
from tests.faults.tally import Tally, kill_homes, run_program

if TYPE_CHECKING:
    from collections import Counter
    from types import TracebackType

    from config.home import Home

ROOT: Final = Path(__file__).resolve().parents[2]
COPY_IN: Final = "copy into the inbox"
STAGES: Final = (
    COPY_IN,
    "finish",
    "ingest",
    "notes",
    "pair",
    "measure",
    "append",
    "ledger",
    "publish",
    "report",
    "backup",
    "sweep",
)
COPIER: Final = """
import shutil, sys
from pathlib import Path
print("copying", flush=True)
for path in sorted(Path(sys.argv[1]).iterdir()):
    with path.open("rb") as source, (Path(sys.argv[2]) / path.name).open("wb") as target:
        while block := source.read(4096):
            target.write(block)
            target.flush()
"""


@dataclass(frozen=True)
class Life:
    """One child: how it ended, its stages with the time at which each began [s], its changes."""

    code: int
    stages: dict[str, float]
    n_changes: int = 0

    @property
    def was_killed(self) -> bool:
        return self.code == -signal.SIGKILL

    @property
    def last_stage(self) -> str:
        return list(self.stages)[-1] if self.stages else "start"


class Starter:
    """The process that forks the children (see `tests.faults.line`)."""

    def __enter__(self) -> Self:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.faults.line"],
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        if self._read() != ["ready"]:
            raise RuntimeError("the line does not start")
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._process.communicate("")

    def run(
        self, home: Home, *, kill_at: int = 0, stage: str | None = None, delay_s: float = 0.0
    ) -> Life:
        """Run the line; kill it at a change of files, or `delay_s` into a stage."""
        if self._process.stdin is None:
            raise RuntimeError("the line has no input")
        self._process.stdin.write(f"{home.root} {kill_at}\n")
        self._process.stdin.flush()
        child = int(self._read()[1])
        stages: dict[str, float] = {}
        n_changes = 0
        timer: threading.Timer | None = None
        while (words := self._read())[0] != "over":
            stages[words[1]], n_changes = float(words[2]), int(words[3])
            if words[1] == stage:
                timer = threading.Timer(delay_s, _kill, [child])
                timer.start()
        if timer is not None:
            timer.cancel()
        return Life(int(words[1]), stages, n_changes)

    def _read(self) -> list[str]:
        if self._process.stdout is None:
            raise RuntimeError("the line has no output")
        line = self._process.stdout.readline()
        if not line:
            raise RuntimeError("the line is gone")
        return line.split()


def _kill(process_id: int) -> None:
    with contextlib.suppress(ProcessLookupError):
        os.kill(process_id, signal.SIGKILL)


@dataclass(frozen=True)
class Undisturbed:
    """A home in which nothing was killed: its contents, how long each stage took, its changes."""

    contents: crash.Contents
    durations_s: dict[str, float]
    n_changes: int


def run_undisturbed(starter: Starter, drop: Path, root: Path) -> Undisturbed:
    """Run the line once over the drop."""
    home = crash.make_home(root)
    shutil.copytree(drop, home.inbox, dirs_exist_ok=True)
    life = starter.run(home)
    if life.code != 0:
        raise RuntimeError(f"the undisturbed run ended with {life.code}")
    begins = list(life.stages.items())
    durations_s = {
        stage: after - begun for (stage, begun), (_, after) in itertools.pairwise(begins)
    }
    return Undisturbed(crash.read_contents(home), durations_s, life.n_changes)


def kill_while_copying(drop: Path, home: Home, delay_s: float) -> bool:
    """Kill whoever copies the drop into the inbox; return whether it was still copying."""
    with subprocess.Popen(
        [sys.executable, "-c", COPIER, str(drop), str(home.inbox)], stdout=subprocess.PIPE
    ) as copier:
        if copier.stdout is not None:
            copier.stdout.readline()
        with contextlib.suppress(subprocess.TimeoutExpired):
            copier.wait(delay_s)
        copier.kill()
    return copier.returncode == -signal.SIGKILL


def kill_one_home(
    starter: Starter,
    drop: Path,
    root: Path,
    *,
    expected: Undisturbed,
    exports: dict[str, bytes],
    chance: random.Random,
    tally: Tally[str],
    most_kills: int,
) -> None:
    """Kill one home's line up to `most_kills` times, then let it end and compare."""
    home = crash.make_home(root)
    n_kills = chance.randint(1, most_kills)
    if chance.random() < 0.2 and kill_while_copying(drop, home, chance.uniform(0.0, 0.02)):
        tally.kills[COPY_IN] += 1
        # What a killed copy left is no export; whoever dropped it copies again.
    shutil.copytree(drop, home.inbox, dirs_exist_ok=True)
    for _ in range(n_kills):
        if chance.random() < 0.5:
            life = starter.run(home, kill_at=chance.randint(1, expected.n_changes))
        else:
            stage = chance.choice(STAGES[1:])
            delay_s = chance.uniform(0.0, expected.durations_s.get(stage, 0.1))
            life = starter.run(home, stage=stage, delay_s=delay_s)
        where = f"{root.name} killed in {life.last_stage}"
        if life.was_killed:
            tally.kills[life.last_stage] += 1
        elif life.code != 0:
            tally.broken.append(f"{where}: the run failed by itself ({life.code})")
        tally.broken += [f"{where}: {line}" for line in crash.list_broken(home, exports)]
    life = starter.run(home)
    if life.code != 0:
        tally.broken.append(f"{root.name}: the last run failed ({life.code})")
        return
    found = [
        *crash.list_broken(home, exports),
        *crash.list_differences(crash.read_contents(home), expected.contents),
        *(f"left behind: {name}" for name in crash.list_leftovers(home)),
        *(f"left in the inbox: {path.name}" for path in home.inbox.iterdir()),
    ]
    tally.broken += [f"{root.name} at the end: {line}" for line in found]


def kill_many(folder: Path, *, n_kills: int, seed: int) -> Tally[str]:
    """Kill until `n_kills` were counted; return the tally."""
    chance = random.Random(seed)  # noqa: S311 - moments, not secrets
    drop = folder / "drop"
    exports = crash.write_exports(drop)
    with Starter() as starter:
        expected = run_undisturbed(starter, drop, folder / "undisturbed")

        def kill(root: Path, tally: Tally[str], most_kills: int) -> None:
            kill_one_home(
                starter,
                drop,
                root,
                expected=expected,
                exports=exports,
                chance=chance,
                tally=tally,
                most_kills=most_kills,
            )

        return kill_homes(kill, folder, n_kills=n_kills)


def show_kills(kills: Counter[str]) -> list[str]:
    """Return a line for each stage."""
    return [
        f"{stage:20} {kills[stage]:4}" for stage in (*STAGES, *sorted(set(kills) - set(STAGES)))
    ]


if __name__ == "__main__":
    sys.exit(run_program(kill_many, show_kills, description=__doc__, n_kills=200))
