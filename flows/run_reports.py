"""What runs return: a record for each kind of flow, and the time that its stages took."""

from __future__ import annotations

import contextlib
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

    `page_complaints` holds one line for pages that could not be written.
    """

    outcomes: tuple[FileOutcome, ...]
    workout_run: WorkoutRun
    page_complaints: tuple[str, ...] = ()


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
class Stages:
    """How long each stage of a run took, in the order in which they began."""

    seconds: dict[str, float] = field(default_factory=dict)

    @contextlib.contextmanager
    def time(self, stage: str) -> Iterator[None]:
        """Add the time that passes inside to `stage`, also when it fails."""
        begun = time.monotonic()
        self.seconds.setdefault(stage, 0.0)
        try:
            yield
        finally:
            self.seconds[stage] += time.monotonic() - begun

    def __str__(self) -> str:
        """Return e.g. "read 1.2 s, pair 0.1 s"."""
        return ", ".join(f"{stage} {took_s:.1f} s" for stage, took_s in self.seconds.items())
