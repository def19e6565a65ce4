"""How small a p value must be for a claim: looks, with a plan and without."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from config.plan import DatedPlan

#: Whoever may look after each workout needs odds of 1 in 100 instead of 1 in 20.
WITHOUT_PLAN: Final = 0.01
#: Fewer workouts than this cannot reach that mark.
FIRST_LOOK: Final = 8
HORIZON: Final = 30
#: Planned numbers up to which a claim at that number needs no more than the mark beside it; those
#: before it are held to `WITHOUT_PLAN`. A plan of up to 8 is looked at once.
_AT_PLANNED: Final = ((8, 0.05), (12, 0.03), (20, 0.02))


@dataclass(frozen=True)
class Looks:
    """What a family is held to.

    `planned` is the planned number of workouts, None without a plan that came first. `n_earlier`
    counts the numbers of workouts at which an earlier run looked.
    """

    planned: int | None = None
    horizon: int = HORIZON
    n_earlier: int = 0
    note: str = ""

    def find_alpha(self, n: int) -> float:
        """Return the mark for a family of n workouts."""
        if self.planned is None or n < self.planned:
            return WITHOUT_PLAN
        return self.at_planned if n == self.planned else WITHOUT_PLAN

    @property
    def at_planned(self) -> float:
        """The mark at the planned number of workouts."""
        if self.planned is None:
            return WITHOUT_PLAN
        return next((alpha for most, alpha in _AT_PLANNED if self.planned <= most), WITHOUT_PLAN)


def plan_looks(
    plan: DatedPlan | None, starts: Sequence[datetime | None], *, n_earlier: int
) -> Looks:
    """Return what a family over workouts that began at `starts` is held to.

    A plan counts where its questions were set before the first of these workouts.
    """
    if plan is None:
        return Looks(n_earlier=n_earlier)
    known = [start for start in starts if start is not None]
    horizon = max(plan.plan.horizon, plan.plan.planned_workouts)
    before = sum(start < plan.questions_since for start in known)
    if before:
        note = f"the plan came after {before} of these workouts, and does not count"
        return Looks(horizon=horizon, n_earlier=n_earlier, note=note)
    return Looks(plan.plan.planned_workouts, horizon, n_earlier)
