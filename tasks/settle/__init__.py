"""From stored recordings to stored results: pair, align, measure, commit.

`plan` finds the workouts that something has changed for; `measure_planned` computes one of them
without touching the store, so that many can run at once; `commit` writes what came out, by one
writer, in one short transaction.
"""

from tasks.settle.commit import Summary, WorkoutSummary, commit
from tasks.settle.compute import WorkoutOutcome, measure_planned
from tasks.settle.known import KnownRecording, collect_recordings
from tasks.settle.plan import Plan, PlannedWorkout, plan

__all__ = [
    "KnownRecording",
    "Plan",
    "PlannedWorkout",
    "Summary",
    "WorkoutOutcome",
    "WorkoutSummary",
    "collect_recordings",
    "commit",
    "measure_planned",
    "plan",
]
