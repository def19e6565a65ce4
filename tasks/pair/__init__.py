"""Which recordings are one workout."""

from tasks.core.members import Candidate, Member, WorkoutMembers
from tasks.pair.members import pair_recordings

__all__ = ["Candidate", "Member", "WorkoutMembers", "pair_recordings"]
