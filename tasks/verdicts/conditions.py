"""A device in two conditions: wrists, bands, display modes, firmwares.

The workouts of two conditions are other days, so that all else that differed between the days is
in the answer. Two units of a model worn at once, one in each condition, tell more: they are two
devices (see `devices`).
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.firmware import unify_firmware
from tasks.core.notes import READ_OFF
from tasks.maths.equivalence import assess_unpaired_equivalence
from tasks.maths.multiplicity import adjust_after_holm
from tasks.maths.rank_sum import assess_rank_sum, estimate_shift
from tasks.verdicts.asked import ASKED_ROLES, Question
from tasks.verdicts.marks import plan_looks
from tasks.verdicts.numbers import FEWEST_WORKOUTS, find_good_sign, name_score, take_best
from tasks.verdicts.opponents import list_primaries
from tasks.verdicts.rows import keep, name_question
from tasks.verdicts.words import ALIKE, BETTER, TOO_FEW, UNCLEAR, WORSE

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

    import duckdb

    from config.plan import DatedPlan
    from config.verdicts import VerdictSettings
    from tasks.maths.arrays import FloatArray
    from tasks.verdicts.numbers import Numbers

Row = dict[str, Any]
_EMPTY: Final = (
    "n_better",
    "n_worse",
    "n_tied",
    "n_failed",
    "n_failed_against",
    "workouts_needed",
    "workouts_needed_low",
    "model_estimate",
    "model_ci_low",
    "model_ci_high",
    "model_workouts",
    "model_note",
)
_FEWEST_CONDITIONS: Final = 2
#: More values of one key are a log of something, not conditions.
_MOST_CONDITIONS: Final = 6

_CONDITIONS: Final = "SELECT workout_id, device_id, key, value FROM worn_setups ORDER BY ALL"


@dataclass(frozen=True)
class Contrast:
    """A device's values in two conditions, and the workouts of each that were looked at."""

    question: Question
    own: FloatArray
    other: FloatArray
    margin: float
    first: frozenset[str]
    second: frozenset[str]

    @property
    def workouts(self) -> frozenset[str]:
        """All workouts that were looked at."""
        return self.first | self.second


#: The workouts in each condition of a setup key, by device and key.
Conditions = dict[tuple[str, str], dict[str, set[str]]]


def compare_conditions(
    conditions: Conditions,
    numbers: Numbers,
    settings: VerdictSettings,
    plan: DatedPlan | None = None,
    *,
    only: Collection[str] | None = None,
) -> Iterator[Row]:
    """Compare every two conditions that a device was worn in, within each activity.

    The primary metrics and all conditions of a device are one family (Holm).
    """
    by_device: dict[str, list[Contrast]] = defaultdict(list)
    for (device_id, key), by_value in conditions.items():
        is_asked = numbers.roles.get(device_id) in ASKED_ROLES
        if not is_asked or (only is not None and device_id not in only):
            continue
        own_plan = plan if plan is not None and plan.plan.device == device_id else None
        for first, second in combinations(by_value, 2):
            for measure, margin in list_primaries(settings, own_plan).items():
                question = Question(device_id, f"{key}: {first} / {second}", "conditions", measure)
                by_device[device_id] += _contrast_by_activity(
                    question, numbers, by_value[first], by_value[second], margin=margin
                )
    for device_id, contrasts in by_device.items():
        own_plan = plan if plan is not None and plan.plan.device == device_id else None
        others = {key: worn for (device, key), worn in conditions.items() if device == device_id}
        others["surroundings"] = _find_surroundings(numbers)
        for row, contrast in zip(_judge(contrasts, numbers, own_plan), contrasts, strict=True):
            along = find_confounded(contrast, others)
            if along:
                row["note"] += f"; cannot be told from what changed along with it: {along}"
            yield row


def _find_surroundings(numbers: Numbers) -> dict[str, set[str]]:
    found: dict[str, set[str]] = defaultdict(set)
    for workout_id, workout in numbers.workouts.items():
        if workout.surroundings is not None:
            found[workout.surroundings].add(workout_id)
    return found


def find_confounded(contrast: Contrast, others: Mapping[str, Mapping[str, set[str]]]) -> str:
    """Name what else is one thing in all workouts of one condition, and another in the other's."""
    own_key = contrast.question.against.partition(":")[0]
    found = []
    for key, by_value in sorted(others.items()):
        sides = [
            {value for value, worn in by_value.items() if worn & side}
            for side in (contrast.first, contrast.second)
        ]
        covered = [
            side <= set().union(*(by_value[value] for value in values))
            for side, values in zip((contrast.first, contrast.second), sides, strict=True)
        ]
        if key != own_key and all(covered) and not sides[0] & sides[1]:
            named = " / ".join(" or ".join(sorted(values)) for values in sides)
            found.append(f"{key}: {named}")
    return ", ".join(found)


def read_conditions(connection: duckdb.DuckDBPyConnection) -> Conditions:
    """Return the conditions of two workouts and more, where a device was worn in two or more."""
    found: dict[tuple[str, str], dict[str, set[str]]] = defaultdict(lambda: defaultdict(set))
    for workout_id, device_id, key, value in connection.execute(_CONDITIONS).fetchall():
        if key not in READ_OFF:
            found[device_id, key][value].add(workout_id)
    for (_, key), by_value in found.items():
        if key == "firmware":
            _join_spellings(by_value)
    usable = {
        one: {value: by_value[value] for value in sorted(by_value) if _is_usable(by_value[value])}
        for one, by_value in found.items()
    }
    return {
        one: by_value
        for one, by_value in usable.items()
        if _FEWEST_CONDITIONS <= len(by_value) <= _MOST_CONDITIONS
    }


def _join_spellings(by_value: dict[str, set[str]]) -> None:
    """Join the workouts of two spellings of one version."""
    for spelling, used in unify_firmware(by_value).items():
        if spelling != used:
            by_value[used] |= by_value.pop(spelling)


def _is_usable(worn: set[str]) -> bool:
    return len(worn) >= FEWEST_WORKOUTS


def _contrast_by_activity(
    question: Question, numbers: Numbers, first: set[str], second: set[str], *, margin: float
) -> Iterator[Contrast]:
    found = {
        workout_id: take_best(by_reference)
        for workout_id, by_reference in numbers.find(question.device_id, question.measure).items()
        if (workout_id in first) != (workout_id in second)
    }
    for activity in sorted({numbers.workouts[workout_id].activity for workout_id in found}):
        there = {
            one: value for one, value in found.items() if numbers.workouts[one].activity == activity
        }
        own, other = _collect(there, first), _collect(there, second)
        if min(own.size, other.size) >= FEWEST_WORKOUTS:
            asked = replace(question, activity=activity)
            yield Contrast(
                asked, own, other, margin, frozenset(there) & first, frozenset(there) & second
            )


def _collect(found: Mapping[str, float | None], worn: set[str]) -> FloatArray:
    values = [value for one, value in sorted(found.items()) if one in worn and value is not None]
    return np.array(values, dtype=np.float64)


def _judge(
    contrasts: Sequence[Contrast], numbers: Numbers, plan: DatedPlan | None
) -> Iterator[Row]:
    held = {workout_id for one in contrasts for workout_id in one.workouts}
    starts = [numbers.workouts[one].start_utc for one in held]
    looks = plan_looks(plan, starts, n_earlier=0)
    alpha = looks.find_alpha(len(held))
    tests = [assess_rank_sum(one.own, one.other) for one in contrasts]
    adjusted = adjust_after_holm(np.array([test.p_value for test in tests]))
    equivalent = adjust_after_holm(np.array([_assess_equivalence(one) for one in contrasts]))
    for one, test, p_adjusted, p_equivalent in zip(
        contrasts, tests, adjusted, equivalent, strict=True
    ):
        shift = estimate_shift(one.own, one.other)
        sign = find_good_sign(one.question.measure.metric)
        verdict = TOO_FEW if test.smallest_p >= alpha else UNCLEAR
        if p_equivalent < alpha:
            verdict = ALIKE
        elif p_adjusted < alpha and shift.estimate != 0:
            verdict = BETTER if shift.estimate * sign > 0 else WORSE
        yield {
            **dict.fromkeys(_EMPTY),
            **name_question(one.question),
            "n_workouts": one.own.size + one.other.size,
            "left_out": len(one.workouts) - one.own.size - one.other.size,
            "level": keep(float(np.median(one.own))),
            "level_against": keep(float(np.median(one.other))),
            "scale": "difference",
            "estimate": keep(shift.estimate),
            "ci_low": keep(shift.interval.low),
            "ci_high": keep(shift.interval.high),
            "p_value": test.p_value,
            "p_adjusted": float(p_adjusted),
            "alpha": alpha,
            "n_looks": 1,
            "verdict": verdict,
            "margin": one.margin,
            "note": f"{name_score(one.question.measure.metric)} in the first condition "
            f"({one.own.size} workouts) minus that in the second ({one.other.size}); all else that "
            f"differed between the days is in it; up to {one.margin:g} does not matter",
        }


def _assess_equivalence(one: Contrast) -> float:
    found = assess_unpaired_equivalence(one.own, one.other, low=-one.margin, high=one.margin)
    return max(found.p_above_low, found.p_below_high)
