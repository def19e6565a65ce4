"""Kills one home after the other and counts; the same for whatever does the work there."""

from __future__ import annotations

import argparse
import logging
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Generic, Protocol, TypeVar

LOG: Final = logging.getLogger(__name__)
MOST_KILLS_OF_A_HOME: Final = 8

#: What kills are counted by.
Where = TypeVar("Where", bound=Hashable)


@dataclass
class Tally(Generic[Where]):
    """What was counted: kills by where they hit, homes, and what broke."""

    kills: Counter[Where] = field(default_factory=Counter)
    n_homes: int = 0
    broken: list[str] = field(default_factory=list)

    @property
    def n_kills(self) -> int:
        return sum(self.kills.values())


class KillMany(Protocol[Where]):
    """Kills until `n_kills` were counted, in homes below `folder`."""

    def __call__(self, folder: Path, *, n_kills: int, seed: int) -> Tally[Where]: ...


def kill_homes(
    kill_one_home: Callable[[Path, Tally[Where], int], None], folder: Path, *, n_kills: int
) -> Tally[Where]:
    """Call `kill_one_home` with a new place, the tally and the most kills until there are enough.

    A home in which something broke stays.
    """
    tally: Tally[Where] = Tally()
    while tally.n_kills < n_kills:
        n_told = len(tally.broken)
        root = folder / f"home-{tally.n_homes}"
        tally.n_homes += 1
        kill_one_home(root, tally, min(MOST_KILLS_OF_A_HOME, n_kills - tally.n_kills))
        LOG.info("%d of %d kills", tally.n_kills, n_kills)
        for line in tally.broken[n_told:]:
            LOG.info("BROKEN: %s", line)
        if len(tally.broken) == n_told:
            shutil.rmtree(root)
    return tally


def run_program(
    kill_many: KillMany[Where],
    show: Callable[[Counter[Where]], Iterable[str]],
    *,
    description: str | None,
    n_kills: int,
    parents: Sequence[argparse.ArgumentParser] = (),
) -> int:
    """Be the program: kill, print the kills as `show` does and what broke; return the exit code.

    `parents` know further options, which `kill` has been given already.
    """
    parser = argparse.ArgumentParser(description=description, parents=parents)
    parser.add_argument("--kills", type=int, default=n_kills)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="a new folder in which broken homes stay")
    asked = parser.parse_args()
    logging.basicConfig(level=logging.INFO, format="%(message)s")
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as scratch:
        tally = kill_many(asked.keep or Path(scratch), n_kills=asked.kills, seed=asked.seed)
    took_s = time.monotonic() - begun
    lines = [
        "",
        f"{tally.n_kills} kills in {tally.n_homes} homes, {took_s:.0f} s",
        *show(tally.kills),
        *(f"BROKEN: {line}" for line in tally.broken),
        *([] if tally.broken else ["nothing lost, nothing doubled"]),
    ]
    sys.stdout.write("\n".join(lines) + "\n")
    return 1 if tally.broken else 0
