"""Two sizes of one suite: the short run that everybody waits for, and the full statistics.

`pytest` runs every test with few seeds; `pytest --full` runs the same tests with all of them.
Nothing but the number of repetitions depends on it, and the bounds that follow from that number.
"""

from __future__ import annotations

import os
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from typing import TYPE_CHECKING, Final, TypeVar

from scipy.stats import binom

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

Size = TypeVar("Size")
Answer = TypeVar("Answer")

#: Set to 1 by `pytest --full`, also for the processes that tests start.
FULL_VARIABLE: Final = "COWORN_FULL_STATISTICS"
#: So many seeds are run faster here than it takes to start processes for them.
_FEW: Final = 5


def is_full() -> bool:
    """Say whether the full statistics are asked for."""
    return os.environ.get(FULL_VARIABLE) == "1"


def choose(*, short: Size, full: Size) -> Size:
    """Return what belongs to the run that was asked for."""
    return full if is_full() else short


def fewest_held(n_intervals: int) -> int:
    """Return how many of `n_intervals` 95 % intervals hold their truth in 99 of 100 such counts."""
    return int(binom.ppf(0.01, n_intervals, 0.95))


def widen_pct(bound_pct: float, n_runs: int) -> float:
    """Return the room [points] to leave around a coverage that only `n_runs` runs measure.

    Two standard errors of a share: `2 * 100 * sqrt(p (1 - p) / n)`, p being the bound.
    """
    share = bound_pct / 100
    return float(200 * (share * (1 - share) / n_runs) ** 0.5)


def map_seeds(run: Callable[[int], Answer], seeds: Sequence[int]) -> list[Answer]:
    """Run a function once for each seed, on two processes where there are many of them."""
    if len(seeds) <= _FEW:
        return [run(seed) for seed in seeds]
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    # Not forked: a child must not inherit threads of whatever ran before it.
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        return list(pool.map(run, seeds, chunksize=max(1, len(seeds) // 10)))
