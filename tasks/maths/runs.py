"""Runs of consecutive grid seconds in which something holds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray, FloatArray, IntArray


@dataclass(frozen=True, slots=True)
class Run:
    """Half-open index range: the first index that holds, the first that does not any more."""

    start: int
    end: int

    @property
    def length(self) -> int:
        """Number of grid seconds."""
        return self.end - self.start


def find_run_edges(marked: BoolArray) -> tuple[IntArray, IntArray]:
    """Return where all runs of True begin and end.

    Parameters
    ----------
    marked
        Shape ``(n,)``.

    Returns
    -------
    tuple[IntArray, IntArray]
        Starts and exclusive ends, each ``(n_runs,)``.
    """
    padded = np.zeros(marked.size + 2, dtype=np.int8)
    padded[1:-1] = marked
    steps = np.diff(padded)
    return np.flatnonzero(steps == 1), np.flatnonzero(steps == -1)


def find_runs(marked: BoolArray, *, shortest: int = 1, bridge: int = 0) -> tuple[Run, ...]:
    """Return the runs of True that are long enough.

    Parameters
    ----------
    marked
        Shape ``(n,)``, one per second.
    shortest
        Least length of a run [s].
    bridge
        Gaps of at most this length inside a run are first taken as part of it [s].

    Returns
    -------
    tuple[Run, ...]
        The runs in order.
    """
    starts, ends = find_run_edges(marked)
    if bridge and starts.size:
        apart = starts[1:] - ends[:-1] > bridge
        starts = starts[np.concatenate([[True], apart])]
        ends = ends[np.concatenate([apart, [True]])]
    kept = ends - starts >= shortest
    return tuple(Run(int(a), int(b)) for a, b in zip(starts[kept], ends[kept], strict=True))


def mark_runs(runs: tuple[Run, ...], n: int) -> BoolArray:
    """Return True inside the runs.

    Parameters
    ----------
    runs
        Runs within the series.
    n
        Length of the series.

    Returns
    -------
    BoolArray
        Shape ``(n,)``.
    """
    marked = np.zeros(n, dtype=np.bool_)
    for run in runs:
        marked[run.start : run.end] = True
    return marked


def find_frozen_runs(values: FloatArray, *, shortest: int) -> tuple[Run, ...]:
    """Return the intervals in which one value repeats.

    Parameters
    ----------
    values
        Shape ``(n,)``, one per second; missing values (NaN) end an interval.
    shortest
        Least length of an interval [s].

    Returns
    -------
    tuple[Run, ...]
        The intervals in order.
    """
    if not values.size:
        return ()
    same = np.zeros(values.size, dtype=np.bool_)
    same[1:] = values[1:] == values[:-1]
    return tuple(
        Run(run.start - 1, run.end) for run in find_runs(same, shortest=max(1, shortest - 1))
    )


def find_longest_gap(present: BoolArray) -> int:
    """Return the length of the longest run of False, edges included.

    Parameters
    ----------
    present
        Shape ``(n,)``, one per second.

    Returns
    -------
    int
        Length [s], 0 without a gap.
    """
    starts, ends = find_run_edges(~present)
    return int((ends - starts).max()) if starts.size else 0


def find_first_lasting(holds: BoolArray, *, lasting: int) -> int | None:
    """Return the first index from which a condition lasts.

    Parameters
    ----------
    holds
        Shape ``(n,)``, one per second.
    lasting
        Consecutive seconds for which it must hold.

    Returns
    -------
    int or None
        The index, None where it never lasts.
    """
    runs = find_runs(holds, shortest=lasting)
    return runs[0].start if runs else None
