"""A device in two conditions: wrists, bands, display modes, firmwares.

The workouts of two conditions are other days, so that all else that differed between the days is
in the answer. Two units of a model worn at once, one in each condition, tell more: they are two
devices (see `devices`).
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from itertools import combinations
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.firmware import unify_firmware
from tasks.core.notes import READ_OFF
from tasks.maths.equivalence import assess_unpaired_equivalence
from tasks.maths.rank_sum import assess_rank_sum, estimate_shift
from tasks.verdicts.asked import ASKED_ROLES, Answer, Question
from tasks.verdicts.numbers import (
    FEWEST_WORKOUTS,
    find_good_sign,
    list_compared,
    name_score,
    take_best,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    import duckdb

    from config.verdicts import VerdictSettings
    from tasks.maths.arrays import FloatArray
    from tasks.verdicts.numbers import Numbers

_FEWEST_CONDITIONS: Final = 2
#: More values of one key are a log of something, not conditions.
_MOST_CONDITIONS: Final = 6

_CONDITIONS: Final = """
SELECT workout_id, device_id, key, value FROM setups
UNION
SELECT workout_id, device_id, 'firmware', any_value(firmware) FROM recordings
WHERE duplicate_of IS NULL AND firmware IS NOT NULL AND workout_id IS NOT NULL
  AND NOT EXISTS (FROM setups WHERE setups.workout_id = recordings.workout_id
    AND setups.device_id = recordings.device_id AND key = 'firmware')
GROUP BY workout_id, device_id
ORDER BY ALL
"""


#: The workouts in each condition of a setup key, by device and key.
Conditions = dict[tuple[str, str], dict[str, set[str]]]


def compare_conditions(
    conditions: Conditions, numbers: Numbers, settings: VerdictSettings
) -> Iterator[Answer]:
    """Compare every two conditions that a device was worn in, within each activity."""
    for (device_id, key), by_value in conditions.items():
        if numbers.roles.get(device_id) not in ASKED_ROLES:
            continue
        for first, second in combinations(by_value, 2):
            for metric, margin in list_compared(settings):
                question = Question(device_id, f"{key}: {first} / {second}", "", metric)
                yield from _answer_by_activity(
                    question, numbers, by_value[first], by_value[second], margin=margin
                )


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


def _answer_by_activity(
    question: Question, numbers: Numbers, first: set[str], second: set[str], *, margin: float
) -> Iterator[Answer]:
    found = {
        workout_id: take_best(by_reference)
        for workout_id, by_reference in numbers.find(question.device_id, question.metric).items()
        if (workout_id in first) != (workout_id in second)
    }
    for activity in sorted({numbers.activities[workout_id] for workout_id in found}):
        there = {one: value for one, value in found.items() if numbers.activities[one] == activity}
        own, other = _collect(there, first), _collect(there, second)
        if min(own.size, other.size) >= FEWEST_WORKOUTS:
            asked = replace(question, activity=activity)
            left_out = len(there) - own.size - other.size
            yield _answer(asked, own, other, margin=margin, left_out=left_out)


def _collect(found: Mapping[str, float | None], worn: set[str]) -> FloatArray:
    values = [value for one, value in sorted(found.items()) if one in worn and value is not None]
    return np.array(values, dtype=np.float64)


def _answer(
    question: Question, own: FloatArray, other: FloatArray, *, margin: float, left_out: int
) -> Answer:
    shift, test = estimate_shift(own, other), assess_rank_sum(own, other)
    equivalence = assess_unpaired_equivalence(own, other, low=-margin, high=margin)
    return Answer(
        question,
        n_workouts=own.size + other.size,
        left_out=left_out,
        estimate=shift.estimate,
        interval=shift.interval,
        difference=shift.estimate,
        good_sign=find_good_sign(question.metric),
        # A mean of n workouts, half of them in each condition, errs as that of n differences with
        # this SD.
        spread=float(np.sqrt(2 * (np.var(own, ddof=1) + np.var(other, ddof=1)))),
        p_value=test.p_value,
        smallest_p=test.smallest_p,
        margin=margin,
        p_equivalent=max(equivalence.p_above_low, equivalence.p_below_high),
        note=f"{name_score(question.metric)} in the first condition ({own.size} workouts) minus "
        f"that in the second ({other.size}); all else that differed between the days is in it",
    )
