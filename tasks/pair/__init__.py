"""Which recordings are one workout."""

from tasks.core.members import Candidate, Grouping, Member, WorkoutMembers
from tasks.pair.members import pair_recordings

__all__ = ["Candidate", "Grouping", "Member", "WorkoutMembers", "pair_recordings"]
