"""Two devices, workout by workout: the values of both, and the failures of each.

A failure counts with the largest difference that was seen, for the worse; where both failed, the
workout is a tie. Leaving failures out would call a watch better that is quick when it works at all.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from tasks.maths.arrays import NAN, FloatArray
from tasks.verdicts.asked import Evidence, Question
from tasks.verdicts.models import find_alone, fit_model
from tasks.verdicts.numbers import find_good_sign, name_score, take_best, take_common
from tasks.verdicts.scales import find_scale, transform

if TYPE_CHECKING:
    from collections.abc import Callable

    from tasks.maths.arrays import BoolArray
    from tasks.verdicts.asked import Modelled
    from tasks.verdicts.numbers import ByReference, Common, Numbers

#: Neither a value nor a failure to compare.
_NOTHING: Final = (False, False)


class Pair(NamedTuple):
    """Two devices' values of one workout; NaN where a device failed."""

    own: float
    other: float
    failed_own: bool = False
    failed_other: bool = False


def pair_devices(
    question: Question, numbers: Numbers, margin: float, *, counts: Callable[[str], bool]
) -> Evidence:
    """Return what the workouts that both devices recorded hold for a question.

    Both must have been compared with one reference, and that must be neither of the two. `counts`
    says of a workout whether it counts at all.
    """
    device_id, other_id, measure = question.device_id, question.against, question.measure
    own, others = numbers.find(device_id, measure), numbers.find(other_id, measure)
    judged = {device_id, other_id}
    both = numbers.worn.get(device_id, set()) & numbers.worn.get(other_id, set())
    ordered = [one for one in numbers.workouts if one in both and counts(one)]
    kept: dict[str, Pair] = {}
    pairs: dict[str, Common | None] = {}
    left_out = 0
    for workout_id in ordered:
        mine, theirs = own.get(workout_id, {}), others.get(workout_id, {})
        common = take_common(mine, theirs, judged=judged)
        failed = _find_failures(question, numbers, workout_id, mine, theirs)
        if common is not None:
            kept[workout_id] = Pair(common.own, common.other)
            pairs[workout_id] = common
        elif any(failed):
            kept[workout_id] = Pair(_take(mine, failed[0]), _take(theirs, failed[1]), *failed)
        else:
            left_out += bool(mine or theirs)
    alone = (find_alone(own, others, judged=judged), find_alone(others, own, judged=judged))
    return _make(question, kept, margin, left_out=left_out, model=fit_model(pairs, *alone))


def _take(by_reference: ByReference, has_failed: bool) -> float:  # noqa: FBT001
    value = None if has_failed else take_best(by_reference)
    return NAN if value is None else value


def _find_failures(
    question: Question,
    numbers: Numbers,
    workout_id: str,
    mine: ByReference,
    theirs: ByReference,
) -> tuple[bool, bool]:
    """Say who failed, where each of the two either failed or has a value."""
    own = numbers.has_failed(question.device_id, question.measure, workout_id)
    other = numbers.has_failed(question.against, question.measure, workout_id)
    if not (own or other):
        return _NOTHING
    is_known = (own or take_best(mine) is not None) and (other or take_best(theirs) is not None)
    return (own, other) if is_known else _NOTHING


def _make(
    question: Question,
    kept: dict[str, Pair],
    margin: float,
    *,
    left_out: int,
    model: Modelled,
) -> Evidence:
    metric = question.measure.metric
    found = list(kept.values())
    own = np.array([one.own for one in found], dtype=np.float64)
    other = np.array([one.other for one in found], dtype=np.float64)
    failed_own = np.array([one.failed_own for one in found], dtype=np.bool_)
    failed_other = np.array([one.failed_other for one in found], dtype=np.bool_)
    scale, sign = find_scale(metric), find_good_sign(metric)
    scaled = transform(own, scale, margin) - transform(other, scale, margin)
    return Evidence(
        question,
        tuple(kept),
        own,
        other,
        fill_failures(own - other, failed_own, failed_other, good_sign=sign),
        fill_failures(scaled, failed_own, failed_other, good_sign=sign),
        failed_own,
        failed_other,
        scale,
        sign,
        left_out,
        f"{name_score(metric)} minus that of {question.against}, in each workout",
        margin,
        model,
    )


def fill_failures(
    differences: FloatArray, failed_own: BoolArray, failed_other: BoolArray, *, good_sign: int
) -> FloatArray:
    """Return the differences with each failure as the largest one seen, for the worse.

    Where both failed the difference is 0; where no workout has both values, a failure counts 1.
    """
    known = np.isfinite(differences)
    largest = float(np.max(np.abs(differences[known]), initial=0.0)) or 1.0
    direction = failed_other.astype(np.float64) - failed_own
    return np.where(known, differences, good_sign * largest * direction)
