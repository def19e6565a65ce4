"""Questions that are answered together: one matrix of workouts by questions, tested as a whole."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.maths.arrays import NAN
from tasks.maths.equivalence import assess_paired_equivalence
from tasks.maths.multiplicity import adjust_after_holm
from tasks.maths.neighbours import assess_neighbours, compute_inflation
from tasks.maths.sign_flips import FlipTest, assess_alone, assess_by_flips
from tasks.verdicts.asked import ALL, INDOORS, OUTDOORS, Tested
from tasks.verdicts.marks import WITHOUT_PLAN
from tasks.verdicts.scales import is_failure

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tasks.maths.arrays import FloatArray, IntArray
    from tasks.verdicts.asked import Evidence
    from tasks.verdicts.marks import Looks
    from tasks.verdicts.numbers import Workout

_ALIKE_NEIGHBOURS: Final = (
    "workouts resemble those next to them (lag-one correlation, p {:.3f}): nothing is claimed"
)
_SOMEWHAT_ALIKE: Final = (
    "workouts may resemble those next to them (lag-one correlation {:.2f}, p {:.3f}): what is "
    "shown has allowed for it"
)
_NEIGHBOURS_P: Final = 0.05
#: Up to this p of resemblance a statistic is deflated.
_DEFLATING_P: Final = 0.1
_KINDS: Final = {OUTDOORS: 0, INDOORS: 1}


@dataclass(frozen=True)
class Matrix:
    """Scaled differences by workout and question, in the order of time; NaN: no value."""

    workouts: tuple[str, ...]
    values: FloatArray
    groups: IntArray

    @property
    def n(self) -> int:
        """Number of workouts."""
        return len(self.workouts)


def lay_out(evidence: Sequence[Evidence], workouts: Mapping[str, Workout]) -> Matrix:
    """Return one row for each workout that any question has, one column for each question."""
    held = {workout_id for one in evidence for workout_id in one.workouts}
    ordered = tuple(one for one in workouts if one in held)
    place = {workout_id: row for row, workout_id in enumerate(ordered)}
    values = np.full((len(ordered), len(evidence)), np.nan)
    for column, one in enumerate(evidence):
        values[[place[workout_id] for workout_id in one.workouts], column] = one.scaled
    groups = np.array(
        [_KINDS.get(workouts[one].surroundings or "", 2) for one in ordered], dtype=np.int64
    )
    return Matrix(ordered, values, groups)


@dataclass(frozen=True)
class Neighbours:
    """What resemblance of neighbouring workouts does to a family."""

    lag_one: float = 0.0
    p_value: float = 1.0

    @property
    def is_silent(self) -> bool:
        """Whether the family claims nothing."""
        return self.p_value < _NEIGHBOURS_P

    @property
    def note(self) -> str:
        """What a reader must know; empty where there is nothing."""
        if self.is_silent:
            return _ALIKE_NEIGHBOURS.format(self.p_value)
        if self.p_value < _DEFLATING_P:
            return _SOMEWHAT_ALIKE.format(self.lag_one, self.p_value)
        return ""

    def find_inflation(self, n: int) -> float:
        """Return by how much the spread of a mean of n workouts is larger; 1 where none is seen."""
        return compute_inflation(self.lag_one, n) if self.p_value < _DEFLATING_P else 1.0


def look_at_neighbours(evidence: Sequence[Evidence], workouts: Mapping[str, Workout]) -> Neighbours:
    """Judge resemblance from each metric once, over all workouts; failures say too little."""
    chosen: dict[str, Evidence] = {}
    for one in evidence:
        metric = one.question.measure.metric
        if one.question.place == ALL and one.question.activity == ALL and not is_failure(metric):
            chosen.setdefault(metric, one)
    matrix = lay_out(list(chosen.values()), workouts)
    if not chosen or not matrix.n:
        return Neighbours()
    found = assess_neighbours(matrix.values, matrix.groups)
    return Neighbours(found.lag_one, found.p_value)


def judge_family(
    evidence: Sequence[Evidence],
    workouts: Mapping[str, Workout],
    looks: Looks,
    *,
    neighbours: Neighbours | None = None,
) -> list[Tested]:
    """Test questions together by joint sign flips.

    Questions with so few workouts that no data could show them are left out of the family: they
    would only make it harder for the others. Beyond the planned number of workouts a question is
    shown by the planned workouts at their own mark, or by all of them at the stricter one.
    """
    matrix = lay_out(evidence, workouts)
    found = neighbours or Neighbours()
    test = _test_hopeful(matrix, found, alpha=_find_largest_alpha(matrix.n, looks))
    alphas = np.full(len(evidence), looks.find_alpha(matrix.n))
    adjusted = test.p_adjusted.copy()
    notes = [[text for text in (found.note, looks.note) if text] for _ in evidence]
    if looks.planned is not None and matrix.n > looks.planned:
        first = _test_planned(matrix, looks, found)
        for column in np.flatnonzero(first.p_adjusted < looks.at_planned):
            if not adjusted[column] < WITHOUT_PLAN and _agree(first, test, int(column)):
                adjusted[column], alphas[column] = first.p_adjusted[column], looks.at_planned
                notes[column].append(f"shown by the first {looks.planned} workouts, as planned")
    equivalent = _assess_equivalence(evidence)
    may_speak = not found.is_silent
    return [
        Tested(
            one,
            p_value=float(test.p_value[column]),
            p_adjusted=float(adjusted[column]),
            best_p=float(test.best_p[column]),
            alpha=float(alphas[column]),
            n_questions=len(evidence),
            n_looks=looks.n_earlier + 1,
            p_equivalent=float(equivalent[column]),
            may_speak=may_speak,
            horizon=looks.horizon,
            notes=tuple(notes[column]),
        )
        for column, one in enumerate(evidence)
    ]


def describe_closed(evidence: Evidence, looks: Looks, *, reason: str) -> Tested:
    """Return a question that is not asked now, with its own p value only."""
    p_value, best_p = assess_alone(evidence.scaled)
    return Tested(
        evidence,
        p_value=p_value,
        p_adjusted=NAN,
        best_p=best_p,
        alpha=looks.find_alpha(evidence.n),
        n_questions=1,
        n_looks=looks.n_earlier + 1,
        may_speak=False,
        horizon=looks.horizon,
        notes=(reason,),
    )


def _test_planned(matrix: Matrix, looks: Looks, found: Neighbours) -> FlipTest:
    first = Matrix(
        matrix.workouts[: looks.planned],
        matrix.values[: looks.planned],
        matrix.groups[: looks.planned],
    )
    return _test_hopeful(first, found, alpha=looks.at_planned)


def _find_largest_alpha(n: int, looks: Looks) -> float:
    is_reached = looks.planned is not None and n >= looks.planned
    return looks.at_planned if is_reached else looks.find_alpha(n)


def _test_hopeful(matrix: Matrix, found: Neighbours, *, alpha: float) -> FlipTest:
    """Test the questions that could be shown at all; the others have their own p value only."""
    counts = np.isfinite(matrix.values).sum(axis=0)
    is_hopeful = 2.0 ** (1 - counts) < alpha
    kept = assess_by_flips(matrix.values[:, is_hopeful], inflation=found.find_inflation(matrix.n))
    answers = [np.full(counts.size, np.nan) for _ in range(4)]
    for answer, values in zip(
        answers, (kept.statistic, kept.p_value, kept.p_adjusted, kept.best_p), strict=True
    ):
        answer[is_hopeful] = values
    for column in np.flatnonzero(~is_hopeful):
        own = matrix.values[np.isfinite(matrix.values[:, column]), column]
        p_value, best_p = assess_alone(own)
        for answer, value in zip(answers, (0.0, p_value, NAN, best_p), strict=True):
            answer[column] = value
    return FlipTest(*answers)


def _agree(first: FlipTest, test: FlipTest, column: int) -> bool:
    return bool(first.statistic[column] * test.statistic[column] > 0)


def _assess_equivalence(evidence: Sequence[Evidence]) -> FloatArray:
    """Return the p values of two one-sided tests, after Holm, of the questions about all places."""
    p_values = np.full(len(evidence), NAN)
    for column, one in enumerate(evidence):
        is_asked = one.question.place == ALL and one.question.activity == ALL
        if one.margin is None or not is_asked or is_failure(one.question.measure.metric):
            continue
        found = assess_paired_equivalence(one.differences, low=-one.margin, high=one.margin)
        p_values[column] = max(found.p_above_low, found.p_below_high)
    return adjust_after_holm(p_values)
