"""Equivalence by two one-sided tests (TOST): shows that a mean is close, not that it differs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tasks.maths.arrays import NAN, NO_INTERVAL, FloatArray, Interval

_MIN_SAMPLES = 2


@dataclass(frozen=True, slots=True)
class Equivalence:
    """Estimate, the two one-sided tests, and the interval that decides alike.

    ``interval`` has confidence 1 - 2 alpha; inside the margins it shows equivalence at alpha.
    """

    estimate: float
    standard_error: float
    degrees_of_freedom: float
    t_above_low: float
    t_below_high: float
    p_above_low: float
    p_below_high: float
    interval: Interval
    is_equivalent: bool


def assess_equivalence(
    estimate: float,
    standard_error: float,
    *,
    degrees_of_freedom: float,
    low: float,
    high: float,
    alpha: float = 0.05,
) -> Equivalence:
    """Test whether a mean lies between two margins that were set before looking.

    Two one-sided tests of the mean only: two series can be equivalent and differ widely in every
    second.

    Parameters
    ----------
    estimate
        The mean.
    standard_error
        Its standard error; 0 decides by the estimate alone, NaN is never equivalent.
    degrees_of_freedom
        Those of the standard error.
    low, high
        The margins, in the unit of the estimate.
    alpha
        Level of each one-sided test.

    Returns
    -------
    Equivalence
        Both tests and the 1 - 2 ``alpha`` interval.

    Raises
    ------
    ValueError
        If the margins are in the wrong order.

    References
    ----------
    Schuirmann 1987, Journal of Pharmacokinetics and Biopharmaceutics 15:657; Dixon et al. 2018,
    Medicine and Science in Sports and Exercise 50:837.
    """
    from scipy.special import stdtr, stdtrit  # noqa: PLC0415 - scipy is slow to import

    if low >= high:
        raise ValueError(f"the lower margin must be below the upper one, found {low} and {high}")
    if not (np.isfinite(standard_error) and degrees_of_freedom > 0):
        return Equivalence(
            estimate, NAN, degrees_of_freedom, NAN, NAN, NAN, NAN, NO_INTERVAL, False
        )
    half = float(stdtrit(degrees_of_freedom, 1 - alpha)) * standard_error
    interval = Interval(estimate - half, estimate + half)
    if standard_error == 0:
        inside = low < estimate < high
        edge_low, edge_high = float(np.sign(estimate - low)), float(np.sign(estimate - high))
        t_low, t_high = edge_low * np.inf, edge_high * np.inf
        p_low, p_high = float(estimate <= low), float(estimate >= high)
        return Equivalence(
            estimate, 0.0, degrees_of_freedom, t_low, t_high, p_low, p_high, interval, inside
        )
    t_low, t_high = (estimate - low) / standard_error, (estimate - high) / standard_error
    p_low, p_high = (
        float(stdtr(degrees_of_freedom, -t_low)),
        float(stdtr(degrees_of_freedom, t_high)),
    )
    inside = max(p_low, p_high) < alpha
    return Equivalence(
        estimate, standard_error, degrees_of_freedom, t_low, t_high, p_low, p_high, interval, inside
    )


def assess_paired_equivalence(
    differences: FloatArray, *, low: float, high: float, alpha: float = 0.05
) -> Equivalence:
    """Test the equivalence of paired values from their differences.

    Fewer than two pairs are never equivalent.

    Parameters
    ----------
    differences
        Shape ``(n_pairs,)``.
    low, high
        The margins, in the unit of the differences.
    alpha
        Level of each one-sided test.

    Returns
    -------
    Equivalence
        Both tests and the 1 - 2 ``alpha`` interval.

    References
    ----------
    As for :func:`assess_equivalence`.
    """
    n = differences.size
    mean = float(np.mean(differences)) if n else NAN
    if n < _MIN_SAMPLES:
        return assess_equivalence(mean, NAN, degrees_of_freedom=0, low=low, high=high, alpha=alpha)
    error = float(np.std(differences, ddof=1)) / float(np.sqrt(n))
    return assess_equivalence(
        mean, error, degrees_of_freedom=n - 1, low=low, high=high, alpha=alpha
    )


def assess_unpaired_equivalence(
    first: FloatArray,
    second: FloatArray,
    *,
    low: float,
    high: float,
    alpha: float = 0.05,
    equal_variances: bool = False,
) -> Equivalence:
    """Test the equivalence of two independent groups; the estimate is mean(first) - mean(second).

    Parameters
    ----------
    first, second
        Shapes ``(n_first,)`` and ``(n_second,)``; fewer than two values are never equivalent.
    low, high
        The margins, in the unit of the values.
    alpha
        Level of each one-sided test.
    equal_variances
        Pool the variances; otherwise the degrees of freedom are Welch's.

    Returns
    -------
    Equivalence
        Both tests and the 1 - 2 ``alpha`` interval.

    References
    ----------
    As for :func:`assess_equivalence`.
    """
    n1, n2 = first.size, second.size
    if min(n1, n2) < _MIN_SAMPLES:
        return assess_equivalence(NAN, NAN, degrees_of_freedom=0, low=low, high=high, alpha=alpha)
    v1, v2 = float(np.var(first, ddof=1)), float(np.var(second, ddof=1))
    if equal_variances:
        degrees_of_freedom = float(n1 + n2 - 2)
        pooled = ((n1 - 1) * v1 + (n2 - 1) * v2) / degrees_of_freedom
        error = float(np.sqrt(pooled * (1 / n1 + 1 / n2)))
    else:
        error = float(np.sqrt(v1 / n1 + v2 / n2))
        below = (v1 / n1) ** 2 / (n1 - 1) + (v2 / n2) ** 2 / (n2 - 1)
        degrees_of_freedom = error**4 / below if below > 0 else float(n1 + n2 - 2)
    estimate = float(np.mean(first) - np.mean(second))
    return assess_equivalence(
        estimate, error, degrees_of_freedom=degrees_of_freedom, low=low, high=high, alpha=alpha
    )
