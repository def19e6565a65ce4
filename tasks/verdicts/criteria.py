"""A device against limits that somebody set, across its workouts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tasks.core.registers import METRICS
from tasks.verdicts.asked import ALL, ASKED_ROLES, CRITERION, Evidence, Measure, Question
from tasks.verdicts.families import judge_family
from tasks.verdicts.marks import plan_looks
from tasks.verdicts.numbers import FEWEST_WORKOUTS, name_score, take_best

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from config.plan import DatedPlan
    from config.verdicts import Criterion, VerdictSettings
    from tasks.verdicts.asked import Tested
    from tasks.verdicts.numbers import Numbers


def hold_against_criteria(
    numbers: Numbers,
    settings: VerdictSettings,
    plan: DatedPlan | None = None,
    *,
    only: Collection[str] | None = None,
) -> Iterator[Tested]:
    """Hold every device that is no reference against all criteria, one family for each device."""
    asked = sorted(device for device, role in numbers.roles.items() if role in ASKED_ROLES)
    for device_id in asked:
        if only is not None and device_id not in only:
            continue
        evidence = [
            _gather(device_id, criterion, numbers)
            for criterion in settings.criteria
            if criterion.metric in METRICS
        ]
        kept = [one for one in evidence if one.n >= FEWEST_WORKOUTS]
        if not kept:
            continue
        held = {workout_id for one in kept for workout_id in one.workouts}
        own_plan = plan if plan is not None and plan.plan.device == device_id else None
        starts = [numbers.workouts[one].start_utc for one in held]
        yield from judge_family(kept, numbers.workouts, plan_looks(own_plan, starts, n_earlier=0))


def _gather(device_id: str, criterion: Criterion, numbers: Numbers) -> Evidence:
    measure = Measure(criterion.metric)
    found = {
        workout_id: take_best(by_reference)
        for workout_id, by_reference in numbers.find(device_id, measure).items()
    }
    ordered = [one for one in numbers.workouts if found.get(one) is not None]
    values = np.array([found[one] for one in ordered], dtype=np.float64)
    side = "at least" if criterion.at_most is None else "at most"
    never = np.zeros(values.size, dtype=np.bool_)
    is_primary = numbers.roles.get(device_id) == "test"
    return Evidence(
        Question(device_id, CRITERION, "criteria", measure, ALL, is_primary=is_primary),
        tuple(ordered),
        values,
        np.empty(0),
        values - criterion.limit,
        values - criterion.limit,
        never,
        never,
        "difference",
        1 if criterion.at_most is None else -1,
        len(found) - values.size,
        f"{name_score(criterion.metric)}, to be {side} {criterion.limit:g} ({criterion.source})",
        shift=criterion.limit,
    )
