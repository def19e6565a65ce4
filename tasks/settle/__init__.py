"""From stored recordings to stored results: pair, align, measure, commit.

`prepare` finds the workouts that something has changed for; `measure_planned` computes one of them
without touching the store, so that many can run at once; `commit` writes what came out, by one
writer, in one short transaction; `finish` tells the ledger. The four belong under one run lock.
"""

from tasks.settle.commit import Summary, WorkoutSummary, commit
from tasks.settle.compute import WorkoutOutcome, measure_planned
from tasks.settle.known import KnownRecording
from tasks.settle.outlook import Outlook, look_ahead
from tasks.settle.plan import Plan, PlannedWorkout
from tasks.settle.prepare import Prepared, finish, prepare

__all__ = [
    "KnownRecording",
    "Outlook",
    "Plan",
    "PlannedWorkout",
    "Prepared",
    "Summary",
    "WorkoutOutcome",
    "WorkoutSummary",
    "commit",
    "finish",
    "look_ahead",
    "measure_planned",
    "prepare",
]
