"""Which recordings are one workout."""

from tasks.core.bouts import Bout, Candidate, Member
from tasks.pair.bouts import pair_recordings

__all__ = ["Bout", "Candidate", "Member", "pair_recordings"]
