"""How many workouts it takes: the power of paired comparisons, from the spread that was seen."""

from __future__ import annotations

import numpy as np

#: Where nothing is settled by this many, no number is named.
MOST_WORKOUTS = 1000
_FEWEST = 2
#: Against normal scatter the signed-rank test needs pi / 3 times the values that the t test needs.
_RANKS_FOR_T = np.pi / 3


def compute_power_of_difference(effect: float, n: int, *, alpha: float = 0.05) -> float:
    """Return chance that a two-sided paired t test of n differences shows one of ``effect`` SDs.

    *Source*: noncentral t distribution, e.g. Cohen 1988, Statistical Power Analysis, chapter 2.
    """
    from scipy.special import stdtrit  # noqa: PLC0415 - scipy is slow to import

    if n < _FEWEST:
        return 0.0
    quantile = float(stdtrit(n - 1, 1 - alpha / 2))
    centre = abs(effect) * float(np.sqrt(n))
    # A noncentral t below -x is one with the other centre above x.
    return _find_tail(quantile, n - 1, centre) + _find_tail(quantile, n - 1, -centre)


def compute_power_of_equivalence(
    effect: float, margin: float, n: int, *, alpha: float = 0.05
) -> float:
    """Return the chance that two one-sided tests of n differences show them within the margin.

    ``effect`` and ``margin`` are in SDs of the differences.
    *Source*: Phillips 1990, Journal of Pharmacokinetics and Biopharmaceutics 18:137, with the
    noncentral t approximation of the two dependent tests, which is never above the exact power.
    """
    from scipy.special import stdtrit  # noqa: PLC0415 - scipy is slow to import

    if n < _FEWEST:
        return 0.0
    quantile = float(stdtrit(n - 1, 1 - alpha))
    root = float(np.sqrt(n))
    inside = _find_tail(quantile, n - 1, (margin - effect) * root)
    beyond = 1 - _find_tail(quantile, n - 1, (margin + effect) * root)
    return max(0.0, inside - beyond)


def _find_tail(quantile: float, degrees_of_freedom: float, centre: float) -> float:
    """Return the chance that a noncentral t lies above ``quantile``."""
    from scipy.special import nctdtr  # noqa: PLC0415 - scipy is slow to import

    below = float(nctdtr(degrees_of_freedom, centre, quantile))
    if np.isfinite(below):
        return 1 - below
    from scipy.stats import nct  # noqa: PLC0415 - slower by far, but it has an answer far out

    return float(np.nan_to_num(nct.sf(quantile, degrees_of_freedom, centre)))


def find_workouts_needed(
    difference: float,
    sd: float,
    *,
    margin: float | None,
    alpha: float = 0.05,
    power: float = 0.8,
) -> int | None:
    """Return the number of workouts in all that would settle it, if the next ones are like these.

    Settled is a difference shown by the signed-rank test or, with a ``margin`` of the same unit,
    equivalence, whichever comes first. None where a thousand would not do, or the spread is not
    known. It is a plan, not a promise: spread and difference of few workouts are rough themselves.
    """
    if not (np.isfinite(difference) and np.isfinite(sd)):
        return None
    smallest = int(np.ceil(1 - np.log2(alpha)))  # signed ranks of fewer can never reach alpha
    if sd == 0:
        return smallest if difference != 0 or margin else None
    effect = difference / sd

    def is_settled(n: int) -> bool:
        by_ranks = compute_power_of_difference(effect, int(n / _RANKS_FOR_T), alpha=alpha)
        if by_ranks >= power:
            return True
        if margin is None or abs(effect) >= margin / sd:
            return False
        return compute_power_of_equivalence(effect, margin / sd, n, alpha=alpha) >= power

    if not is_settled(MOST_WORKOUTS):
        return None
    low, high = smallest - 1, MOST_WORKOUTS  # power grows with n: halve the range
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if is_settled(middle) else (middle, high)
    return high
