"""What runs return: a record for each kind of flow, and what its stages cost."""

from __future__ import annotations

import contextlib
import os
import sys
import time
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from tasks.ingest.exports import FileOutcome
    from tasks.processing import Summary


@dataclass(frozen=True)
class WorkoutRun:
    """What a run made of the workouts that something had changed for.

    `failed` holds one line for each workout that could not be measured; `unchanged` counts those
    that nothing has changed for.
    """

    summary: Summary
    unchanged: int
    failed: tuple[str, ...]
    complaints: tuple[str, ...]


@dataclass(frozen=True)
class DropReport:
    """What came of a drop: one outcome per file, and what became of the workouts.

    `page_complaints` holds one line for pages that could not be written. A drop that was cancelled
    has left the rest where it was.
    """

    outcomes: tuple[FileOutcome, ...]
    workout_run: WorkoutRun
    page_complaints: tuple[str, ...] = ()
    is_cancelled: bool = False


@dataclass(frozen=True)
class NightlyReport:
    """What a night did. `swept_runs` counts dead runs that were closed on the Prefect server."""

    outcomes: tuple[FileOutcome, ...]
    workout_run: WorkoutRun
    page_complaints: tuple[str, ...]
    backup: Path
    swept_runs: int = 0


@dataclass(frozen=True)
class RebuildReport:
    """What a rebuild gave. `backup` is the store as it was before, with all its former runs."""

    outcomes: tuple[FileOutcome, ...]
    workout_run: WorkoutRun
    page_complaints: tuple[str, ...]
    backup: Path


@dataclass(frozen=True)
class RestoreReport:
    """What restoring a backup gave. `replaced` is where the previous store is kept."""

    workout_run: WorkoutRun
    page_complaints: tuple[str, ...]
    replaced: Path | None


_LISTENER: ContextVar[Callable[[DropReport], object] | None] = ContextVar("listener", default=None)


@contextlib.contextmanager
def listen(show: Callable[[DropReport], object]) -> Iterator[None]:
    """Call `show` with the report of each drop inside as soon as its numbers are published."""
    token = _LISTENER.set(show)
    try:
        yield
    finally:
        _LISTENER.reset(token)


def announce(report: DropReport) -> None:
    """Pass on the numbers of a drop, before its pages are written."""
    show = _LISTENER.get()
    if show is not None:
        show(report)


@dataclass
class Cost:
    """What a stage cost: time that passed and time of processors [s], with its own processes.

    `peak_mb` is the most memory that this process had held by its end: where it is larger than
    that of the stage before, this stage needed it.
    """

    wall_s: float = 0.0
    cpu_s: float = 0.0
    peak_mb: float = 0.0


@dataclass
class Stages:
    """What each stage of a run cost, in the order in which they began."""

    costs: dict[str, Cost] = field(default_factory=dict)

    @contextlib.contextmanager
    def time(self, stage: str) -> Iterator[None]:
        """Add what passes inside to `stage`, also when it fails."""
        cost = self.costs.setdefault(stage, Cost())
        begun, cpu_begun = time.monotonic(), _read_cpu_s()
        try:
            yield
        finally:
            cost.wall_s += time.monotonic() - begun
            cost.cpu_s += _read_cpu_s() - cpu_begun
            cost.peak_mb = read_peak_mb()

    def __str__(self) -> str:
        """Return e.g. "read 1.2 s (CPU 0.9 s, 80 MB), pair 0.1 s (CPU 0.1 s, 82 MB); ..."."""
        parts = (
            f"{stage} {cost.wall_s:.1f} s (CPU {cost.cpu_s:.1f} s, {cost.peak_mb:.0f} MB)"
            for stage, cost in self.costs.items()
        )
        return f"{', '.join(parts)}; at most {read_peak_mb():.0f} MB"


def _read_cpu_s() -> float:
    """Return the time of processors that this process and its ended children used [s]."""
    times = os.times()
    return times.user + times.system + times.children_user + times.children_system


def read_peak_mb() -> float:
    """Return the most memory that this process held at once since it began [MB]."""
    try:
        import resource
    except ImportError:  # Windows
        import psutil

        held = psutil.Process().memory_info()
        # Windows alone counts the peak; elsewhere what is held now.
        return float(getattr(held, "peak_wset", held.rss)) / 1e6
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    # macOS counts bytes, Linux kilobytes.
    return peak / 1e6 if sys.platform == "darwin" else peak / 1e3
