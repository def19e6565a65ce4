"""Whether place matters: whether two devices differ otherwise outdoors than indoors."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.maths.label_permutation import assess_by_labels
from tasks.maths.rank_sum import estimate_shift
from tasks.verdicts.asked import ALL, INDOORS, OUTDOORS
from tasks.verdicts.families import lay_out
from tasks.verdicts.numbers import FEWEST_WORKOUTS
from tasks.verdicts.rows import keep, name_question
from tasks.verdicts.scales import is_failure
from tasks.verdicts.words import BETTER, TOO_FEW, UNCLEAR, WORSE

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tasks.maths.label_permutation import LabelTest
    from tasks.verdicts.asked import Evidence, Measure
    from tasks.verdicts.marks import Looks
    from tasks.verdicts.numbers import Workout

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
Row = dict[str, Any]


def ask_about_place(
    headline: Sequence[Evidence],
    workouts: Mapping[str, Workout],
    looks: Looks,
    *,
    may_speak: bool,
) -> tuple[list[Row], set[Measure]]:
    """Return the rows of family `place`, and the measures for which place matters.

    All primary metrics are one family; places are permuted over the workouts.
    """
    asked = [one for one in headline if _is_askable(one, workouts)]
    if not asked:
        return [], set()
    matrix = lay_out(asked, workouts)
    known = matrix.groups < 2  # noqa: PLR2004 - outdoors and indoors
    test = assess_by_labels(matrix.values[known], matrix.groups[known] == 0)
    alpha = looks.find_alpha(matrix.n)
    rows, speaking = [], set()
    for column, one in enumerate(asked):
        row = _write(one, workouts, test, column, alpha=alpha, may_speak=may_speak)
        row["n_looks"] = looks.n_earlier + 1
        rows.append(row)
        if row["verdict"] in {BETTER, WORSE}:
            speaking.add(one.question.measure)
    return rows, speaking


def _is_askable(one: Evidence, workouts: Mapping[str, Workout]) -> bool:
    if one.question.place != ALL or is_failure(one.question.measure.metric):
        return False
    there = [workouts[workout_id].surroundings for workout_id in one.workouts]
    return min(there.count(OUTDOORS), there.count(INDOORS)) >= FEWEST_WORKOUTS


def _write(
    one: Evidence,
    workouts: Mapping[str, Workout],
    test: LabelTest,
    column: int,
    *,
    alpha: float,
    may_speak: bool,
) -> Row:
    places = np.array([workouts[workout_id].surroundings for workout_id in one.workouts])
    outdoors, indoors = (one.differences[places == place] for place in (OUTDOORS, INDOORS))
    shift = estimate_shift(outdoors, indoors)
    p_adjusted, statistic = float(test.p_adjusted[column]), float(test.statistic[column])
    verdict = TOO_FEW if float(test.best_p[column]) >= alpha else UNCLEAR
    if may_speak and p_adjusted < alpha:
        verdict = BETTER if np.sign(statistic) == one.good_sign else WORSE
    return {
        **dict.fromkeys(_EMPTY),
        **name_question(replace(one.question, family="place")),
        "n_workouts": int(outdoors.size + indoors.size),
        "left_out": one.n - int(outdoors.size + indoors.size),
        "level": float(np.median(outdoors)),
        "level_against": float(np.median(indoors)),
        "scale": one.scale,
        "estimate": keep(shift.estimate),
        "ci_low": keep(shift.interval.low),
        "ci_high": keep(shift.interval.high),
        "p_value": keep(float(test.p_value[column])),
        "p_adjusted": keep(p_adjusted) if may_speak else None,
        "alpha": alpha,
        "verdict": verdict,
        "margin": one.margin,
        "note": f"difference from {one.question.against} outdoors ({outdoors.size} workouts) "
        f"minus that indoors ({indoors.size})",
    }
