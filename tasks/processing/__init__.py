"""From stored recordings to stored results: pair, align, measure, commit.

`prepare` finds the workouts that something has changed for; `measure_planned` computes one of them
without touching the store, so that many can run at once; `commit` writes what came out, by one
writer, in one short transaction; `finish` tells the ledger. The four belong under one run lock.
"""

from tasks.core.summaries import Summary, WorkoutSummary
from tasks.processing.commit import commit
from tasks.processing.compute import WorkoutOutcome, measure_planned
from tasks.processing.known import KnownRecording
from tasks.processing.marking import finish
from tasks.processing.pending import PendingWorkouts, find_pending_workouts
from tasks.processing.plan import Plan, PlannedWorkout
from tasks.processing.prepare import Prepared, prepare

__all__ = [
    "KnownRecording",
    "PendingWorkouts",
    "Plan",
    "PlannedWorkout",
    "Prepared",
    "Summary",
    "WorkoutOutcome",
    "WorkoutSummary",
    "commit",
    "find_pending_workouts",
    "finish",
    "measure_planned",
    "prepare",
]
