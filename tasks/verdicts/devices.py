"""A device under test against another one: workouts that both recorded, pair by pair."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from tasks.maths.equivalence import assess_paired_equivalence
from tasks.maths.signed_rank import assess_signed_rank, estimate_centre, find_smallest_p
from tasks.verdicts.asked import Answer, Question
from tasks.verdicts.models import find_alone, fit_model
from tasks.verdicts.numbers import (
    ALL_ACTIVITIES,
    compute_spread,
    find_good_sign,
    list_compared,
    name_score,
    take_common,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from config.verdicts import VerdictSettings
    from tasks.verdicts.asked import Modelled
    from tasks.verdicts.models import Alone
    from tasks.verdicts.numbers import Common, Numbers


def compare_devices(numbers: Numbers, settings: VerdictSettings) -> Iterator[Answer]:
    """Compare each device under test with every predecessor and peer, and with others under test.

    Both must have been compared with one reference, and that must be neither of the two.
    """
    for device_id, other_id in _list_opponents(numbers.roles):
        for metric, margin in list_compared(settings):
            own, others = numbers.find(device_id, metric), numbers.find(other_id, metric)
            judged = {device_id, other_id}
            pairs = {
                one: take_common(own[one], others[one], judged=judged)
                for one in own.keys() & others.keys()
            }
            alone = (find_alone(own, others, judged=judged), find_alone(others, own, judged=judged))
            for activity, chosen in numbers.split(pairs):
                there = [_stay(one, activity, numbers.activities) for one in alone]
                question = Question(device_id, other_id, activity, metric)
                yield _answer(question, chosen, margin, model=fit_model(chosen, *there))


def _stay(
    alone: Mapping[str, Alone], activity: str, activities: Mapping[str, str]
) -> Mapping[str, Alone]:
    if activity == ALL_ACTIVITIES:
        return alone
    return {one: value for one, value in alone.items() if activities[one] == activity}


def _list_opponents(roles: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    tested = sorted(device for device, role in roles.items() if role == "test")
    yield from combinations(tested, 2)
    for device_id in tested:
        for other_id, role in sorted(roles.items()):
            if role in {"predecessor", "peer"}:
                yield device_id, other_id


def _answer(
    question: Question, pairs: Mapping[str, Common | None], margin: float, *, model: Modelled
) -> Answer:
    kept = [pair for pair in pairs.values() if pair is not None]
    differences = np.array([pair.own - pair.other for pair in kept])
    centre = estimate_centre(differences)
    equivalence = assess_paired_equivalence(differences, low=-margin, high=margin)
    return Answer(
        question,
        n_workouts=len(kept),
        left_out=len(pairs) - len(kept),
        estimate=centre.estimate,
        interval=centre.interval,
        difference=centre.estimate,
        good_sign=find_good_sign(question.metric),
        spread=compute_spread(differences),
        p_value=assess_signed_rank(differences).p_value,
        smallest_p=find_smallest_p(len(kept)),
        margin=margin,
        p_equivalent=max(equivalence.p_above_low, equivalence.p_below_high),
        note=f"{name_score(question.metric)} minus that of {question.against}, in each workout",
        model=model,
    )
