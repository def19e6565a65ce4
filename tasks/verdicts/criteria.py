"""A device against a limit that somebody set, across its workouts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tasks.core.registers import METRICS
from tasks.maths.signed_rank import assess_signed_rank, estimate_centre, find_smallest_p
from tasks.verdicts.asked import ASKED_ROLES, CRITERION, Answer, Question
from tasks.verdicts.numbers import compute_spread, name_score, take_best

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from config.verdicts import Criterion, VerdictSettings
    from tasks.verdicts.numbers import Numbers


def hold_against_criteria(numbers: Numbers, settings: VerdictSettings) -> Iterator[Answer]:
    """Hold every device that is no reference against every criterion."""
    asked = sorted(device for device, role in numbers.roles.items() if role in ASKED_ROLES)
    for criterion in settings.criteria:
        if criterion.metric not in METRICS:
            continue
        for device_id in asked:
            found = {
                workout_id: take_best(by_reference)
                for workout_id, by_reference in numbers.find(device_id, criterion.metric).items()
            }
            for activity, chosen in numbers.split(found):
                question = Question(device_id, CRITERION, activity, criterion.metric)
                yield _answer(question, chosen, criterion)


def _answer(question: Question, found: Mapping[str, float | None], criterion: Criterion) -> Answer:
    values = np.array([value for value in found.values() if value is not None])
    centre = estimate_centre(values)
    differences = values - criterion.limit
    side = "at least" if criterion.at_most is None else "at most"
    return Answer(
        question,
        n_workouts=values.size,
        left_out=len(found) - values.size,
        estimate=centre.estimate,
        interval=centre.interval,
        difference=centre.estimate - criterion.limit,
        good_sign=1 if criterion.at_most is None else -1,
        spread=compute_spread(differences),
        p_value=assess_signed_rank(differences).p_value,
        smallest_p=find_smallest_p(values.size),
        note=f"{name_score(question.metric)}, to be {side} {criterion.limit:g} "
        f"({criterion.source})",
    )
