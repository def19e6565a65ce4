"""What a run wrote into the store, for whoever says so."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tasks.core.file_records import FileRecord


@dataclass(frozen=True)
class WorkoutSummary:
    """What a run did for one workout: whether its results differ from those before."""

    workout_id: str
    is_new: bool
    n_results: int
    n_findings: int


@dataclass(frozen=True)
class Summary:
    """What a run wrote. `run_id` is None when there was nothing to write.

    `hints` are one line each, `refused` the files, by id, that nothing placed in time; `waiting`
    are the devices whose answers across workouts wait for the night.
    """

    run_id: str | None
    workouts: tuple[WorkoutSummary, ...] = ()
    vanished: tuple[str, ...] = ()
    complaints: tuple[str, ...] = ()
    hints: tuple[str, ...] = ()
    refused: Mapping[str, FileRecord] = field(default_factory=dict)
    waiting: tuple[str, ...] = ()
