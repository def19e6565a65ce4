"""Which word the workouts allow: shown, leaning, alike, unclear, or too few."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.verdicts.scales import is_failure

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray
    from tasks.verdicts.asked import Tested

BETTER: Final = "better"
WORSE: Final = "worse"
LEANS_BETTER: Final = "leans better"
LEANS_WORSE: Final = "leans worse"
ALIKE: Final = "alike"
UNCLEAR: Final = "unclear"
TOO_FEW: Final = "too few"
SETTLED: Final = (BETTER, WORSE, ALIKE)

#: An interval of fewer differences is no ground to lean on.
FEWEST_FOR_LEAN: Final = 5
_LEAN_CONFIDENCE: Final = 0.98
#: Families whose single questions may lean.
_LEANING: Final = ("headline", "details")


def choose_word(tested: Tested) -> str:
    """Return the verdict. A difference that is shown, and shown not to matter, is alike."""
    one = tested.evidence
    if one.n == 0:
        return TOO_FEW
    if tested.may_speak:
        if tested.p_equivalent < tested.alpha:
            return ALIKE
        direction = find_direction(tested)
        if tested.p_adjusted < tested.alpha and direction:
            return BETTER if direction == one.good_sign else WORSE
        lean = _find_lean(tested)
        if lean:
            return LEANS_BETTER if lean == one.good_sign else LEANS_WORSE
    return TOO_FEW if tested.best_p >= tested.alpha else UNCLEAR


def find_direction(tested: Tested) -> int:
    """Return the sign of the difference; 0 where test and estimate do not point the same way."""
    one = tested.evidence
    tested_sign = int(np.sign(round(float(np.sum(one.scaled)), 12)))
    estimated = int(np.sign(one.centre.estimate))
    if is_failure(one.question.measure.metric):  # few failures: the centre is 0
        return tested_sign
    return tested_sign if tested_sign == estimated else 0


def _find_lean(tested: Tested) -> int:
    """Return the sign in which the question alone leans, 0 where it does not."""
    one = tested.evidence
    if one.question.family not in _LEANING or one.n < FEWEST_FOR_LEAN or one.margin is None:
        return 0
    estimate = one.centre.estimate
    if is_failure(one.question.measure.metric) or abs(estimate) <= one.margin:
        return 0
    low, high = compute_t_interval(one.scaled, _LEAN_CONFIDENCE)
    leaning = int(low > 0) - int(high < 0)
    return leaning if leaning == int(np.sign(estimate)) else 0


def compute_t_interval(differences: FloatArray, confidence: float) -> tuple[float, float]:
    """Return Student's interval of the mean of differences ``(n,)``, n at least 2."""
    from scipy.special import stdtrit  # noqa: PLC0415 - scipy is slow to import

    n = differences.size
    centre = float(np.mean(differences))
    error = float(np.std(differences, ddof=1) / np.sqrt(n))
    half = float(stdtrit(n - 1, 0.5 + confidence / 2)) * error
    return centre - half, centre + half
