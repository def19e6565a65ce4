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
from tasks.verdicts.numbers import Pair, find_good_sign, name_score, take_best, take_common
from tasks.verdicts.scales import find_scale, transform

if TYPE_CHECKING:
    from collections.abc import Callable

    from tasks.maths.arrays import BoolArray
    from tasks.verdicts.asked import Measure, Modelled
    from tasks.verdicts.numbers import ByReference, Numbers

#: Differences below this share of the largest are rounding, no differences.
_TIE: Final = 1e-9


class Paired(NamedTuple):
    """The workouts that compare two devices, in the order of time, and how many were left out."""

    pairs: dict[str, Pair]
    left_out: int


def pair_workouts(
    numbers: Numbers,
    device_id: str,
    other_id: str,
    measure: Measure,
    *,
    counts: Callable[[str], bool],
) -> Paired:
    """Return the workouts in which two devices can be compared by a measure.

    Both must have been compared with one reference, and that must be neither of the two; or one of
    them failed. `counts` says of a workout whether it counts at all. Verdicts and the sentences
    about them take their workouts from here, so that they count the same ones.
    """
    own, others = numbers.find(device_id, measure), numbers.find(other_id, measure)
    judged = {device_id, other_id}
    both = numbers.worn.get(device_id, set()) & numbers.worn.get(other_id, set())
    kept: dict[str, Pair] = {}
    left_out = 0
    for workout_id in numbers.workouts:
        if workout_id not in both or not counts(workout_id):
            continue
        mine, theirs = own.get(workout_id, {}), others.get(workout_id, {})
        failed = tuple(
            numbers.has_failed(one, measure, workout_id) for one in (device_id, other_id)
        )
        if any(failed):
            pair = _pair_failures(failed, mine, theirs, judged=judged)
        else:
            pair = take_common(mine, theirs, judged=judged)
        if pair is not None:
            kept[workout_id] = pair
        else:
            left_out += bool(mine or theirs)
    return Paired(kept, left_out)


def pair_devices(
    question: Question, numbers: Numbers, margin: float, *, counts: Callable[[str], bool]
) -> Evidence:
    """Return what the workouts that both devices recorded hold for a question."""
    device_id, other_id, measure = question.device_id, question.against, question.measure
    paired = pair_workouts(numbers, device_id, other_id, measure, counts=counts)
    own, others = numbers.find(device_id, measure), numbers.find(other_id, measure)
    judged = {device_id, other_id}
    alone = (find_alone(own, others, judged=judged), find_alone(others, own, judged=judged))
    return _make(question, paired, margin, model=fit_model(paired.pairs, *alone))


def _pair_failures(
    failed: tuple[bool, ...], mine: ByReference, theirs: ByReference, *, judged: set[str]
) -> Pair | None:
    """Return the pair where each of the two either failed or has a value."""
    own, other = (
        NAN if lost else take_best(values, judged=judged)
        for lost, values in zip(failed, (mine, theirs), strict=True)
    )
    return None if own is None or other is None else Pair(own, other, failed[0], failed[1])


def _make(question: Question, paired: Paired, margin: float, *, model: Modelled) -> Evidence:
    metric = question.measure.metric
    found = list(paired.pairs.values())
    own = np.array([one.own for one in found], dtype=np.float64)
    other = np.array([one.other for one in found], dtype=np.float64)
    failed_own = np.array([one.failed_own for one in found], dtype=np.bool_)
    failed_other = np.array([one.failed_other for one in found], dtype=np.bool_)
    scale, sign = find_scale(metric), find_good_sign(metric)
    scaled = transform(own, scale, margin) - transform(other, scale, margin)
    return Evidence(
        question,
        tuple(paired.pairs),
        own,
        other,
        fill_failures(own - other, failed_own, failed_other, good_sign=sign),
        fill_failures(scaled, failed_own, failed_other, good_sign=sign),
        failed_own,
        failed_other,
        scale,
        sign,
        paired.left_out,
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


def find_signs(differences: FloatArray) -> FloatArray:
    """Return the sign of each difference; one of rounding is 0, a tie."""
    largest = float(np.max(np.abs(differences), initial=0.0))
    signs: FloatArray = np.sign(np.where(np.abs(differences) <= _TIE * largest, 0.0, differences))
    return signs


def find_level(values: FloatArray, failed: BoolArray, *, good_sign: int) -> float | None:
    """Return the median, with failures worse than every value; None where that is no number."""
    if not values.size:
        return None
    ordered = np.where(failed, -good_sign * np.inf, values)
    median = float(np.median(ordered[~np.isnan(ordered)])) if values.size else np.nan
    return median if np.isfinite(median) else None
