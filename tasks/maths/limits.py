"""Limits of agreement after Bland and Altman, for single and for repeated pairs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tasks.maths.arrays import NAN, NO_INTERVAL, FloatArray, Interval, require_same_shape

FACTOR = 1.96  # covers 95 % of a normal distribution; the paper of 1986 rounded it to 2
_MIN_PAIRS = 2
_MIN_GROUPS = 2

LimitForm = Literal["exact", "three_over_n"]


@dataclass(frozen=True, slots=True)
class Limits:
    """Bias, standard deviation and limits of agreement with their confidence intervals."""

    n: int
    bias: float
    sd: float
    low: float
    high: float
    bias_interval: Interval = NO_INTERVAL
    low_interval: Interval = NO_INTERVAL
    high_interval: Interval = NO_INTERVAL


@dataclass(frozen=True, slots=True)
class RepeatedLimits:
    """Limits of agreement where every subject or workout gave several pairs.

    ``between_variance`` and ``within_variance`` are the parts that ``sd`` is made of; for a
    constant truth the within part is the sum over the two methods, each at its own weight.
    """

    n_groups: int
    n: int
    bias: float
    sd: float
    low: float
    high: float
    between_variance: float
    within_variance: float
    low_interval: Interval = NO_INTERVAL
    high_interval: Interval = NO_INTERVAL


def compute_limits(
    differences: FloatArray,
    *,
    factor: float = FACTOR,
    confidence: float = 0.95,
    form: LimitForm = "exact",
) -> Limits:
    """Return the limits of agreement of independent pairs.

    Parameters
    ----------
    differences
        Test minus reference, shape ``(n_pairs,)``.
    factor
        Limits are bias +- factor SD.
    confidence
        Of the intervals, between 0 and 1.
    form
        Standard error of a limit: "exact" is s sqrt(1/n + factor^2 / (2 (n - 1))), "three_over_n"
        the rounding of the paper, s sqrt(3/n).

    Returns
    -------
    Limits
        In the unit of the differences; NaN for fewer than two pairs. Seconds of one workout are
        not independent: for them these intervals are far too narrow.

    Notes
    -----
    Intervals by Student's t with n - 1 degrees of freedom.

    References
    ----------
    Bland and Altman 1986, Lancet 327:307; 1999, Statistical Methods in Medical Research 8:135,
    section 2.
    """
    from scipy.special import stdtrit  # noqa: PLC0415 - scipy is slow to import

    n = int(differences.size)
    if n < _MIN_PAIRS:
        bias = float(differences[0]) if n else NAN
        return Limits(n, bias, NAN, NAN, NAN)
    bias = float(np.mean(differences))
    sd = float(np.std(differences, ddof=1))
    quantile = float(stdtrit(n - 1, 0.5 + confidence / 2))
    spread = np.sqrt(3 / n) if form == "three_over_n" else np.sqrt(1 / n + factor**2 / (2 * n - 2))
    half_bias = quantile * sd / float(np.sqrt(n))
    half_limit = quantile * sd * float(spread)
    low, high = bias - factor * sd, bias + factor * sd
    return Limits(
        n,
        bias,
        sd,
        low,
        high,
        Interval(bias - half_bias, bias + half_bias),
        Interval(low - half_limit, low + half_limit),
        Interval(high - half_limit, high + half_limit),
    )


def compute_limits_with_varying_truth(
    groups: Sequence[FloatArray], *, factor: float = FACTOR
) -> RepeatedLimits:
    """Return the limits of agreement of repeated pairs while the true value varies.

    Parameters
    ----------
    groups
        Differences of each subject or workout, shape ``(n_pairs,)`` each; empty ones are dropped.
    factor
        Limits are bias +- factor SD.

    Returns
    -------
    RepeatedLimits
        In the unit of the differences, without intervals; NaN for fewer than two groups.

    Notes
    -----
    One-way analysis of variance on d: s_w^2 = MSW, s_b^2 = (MSB - MSW) / m0 with m0 = ((sum m)^2 -
    sum m^2) / ((k - 1) sum m), at least 0; limits bias +- factor sqrt(s_b^2 + s_w^2), bias over
    all pairs.

    References
    ----------
    Bland and Altman 2007, Journal of Biopharmaceutical Statistics 17:571, section 3.
    """
    kept = [group for group in groups if group.size]
    sizes = np.array([group.size for group in kept], dtype=np.float64)
    k, total = len(kept), float(sizes.sum())
    if k < _MIN_GROUPS or total <= k:
        return RepeatedLimits(k, int(total), NAN, NAN, NAN, NAN, NAN, NAN)
    means = np.array([group.mean() for group in kept])
    bias = float(np.sum(sizes * means) / total)
    within = sum(float(np.sum(np.square(group - group.mean()))) for group in kept) / (total - k)
    between_square = float(np.sum(sizes * np.square(means - bias))) / (k - 1)
    usual_size = (total**2 - float(np.sum(sizes**2))) / ((k - 1) * total)
    between = max(0.0, (between_square - within) / usual_size)
    sd = float(np.sqrt(between + within))
    return RepeatedLimits(
        k, int(total), bias, sd, bias - factor * sd, bias + factor * sd, between, within
    )


def compute_limits_with_varying_truth_by_recovery(
    groups: Sequence[FloatArray], *, factor: float = FACTOR, confidence: float = 0.95
) -> RepeatedLimits:
    """Return the limits of repeated pairs, truth varying, with intervals for both limits.

    Parameters
    ----------
    groups
        Differences of each subject or workout, shape ``(n_pairs,)`` each; empty ones are dropped.
    factor
        Limits are bias +- factor SD.
    confidence
        Of the intervals, between 0 and 1.

    Returns
    -------
    RepeatedLimits
        In the unit of the differences; NaN for fewer than two groups. Intervals take errors to be
        normal and pairs to be independent.

    Notes
    -----
    Bias is the mean of the group means; total variance = var(group means) + (1 - 1/m_h) s_w^2, m_h
    the harmonic mean of the sizes; intervals by variance-estimate recovery (MOVER).

    References
    ----------
    Zou 2013, Statistical Methods in Medical Research 22:630.
    """
    kept = [group for group in groups if group.size]
    sizes = np.array([group.size for group in kept], dtype=np.float64)
    within, degrees_of_freedom = _pool_within(kept)
    k = len(kept)
    if k < _MIN_GROUPS or not degrees_of_freedom:
        return RepeatedLimits(k, int(sizes.sum()), NAN, NAN, NAN, NAN, NAN, NAN)
    return _recover_limits(
        np.array([group.mean() for group in kept]),
        [((1 - float(np.mean(1 / sizes))) * within, degrees_of_freedom)],
        n=int(sizes.sum()),
        factor=factor,
        confidence=confidence,
    )


def compute_limits_with_constant_truth(
    test_groups: Sequence[FloatArray],
    reference_groups: Sequence[FloatArray],
    *,
    factor: float = FACTOR,
    confidence: float = 0.95,
) -> RepeatedLimits:
    """Return the limits of agreement of replicates while each subject's true value stays.

    Parameters
    ----------
    test_groups
        One array per subject, ``(n_replicates,)`` each; no pairing inside a subject is needed.
    reference_groups
        The same of the other method; numbers of replicates may differ.
    factor
        Limits are bias +- factor SD.
    confidence
        Of the intervals, between 0 and 1.

    Returns
    -------
    RepeatedLimits
        In the unit of the values; NaN for fewer than two subjects.

    Raises
    ------
    ValueError
        The two sides have different numbers of subjects.

    Notes
    -----
    Formula: variance = var(D) + (1 - mean(1/m_x)) s_wx^2 + (1 - mean(1/m_y)) s_wy^2, D the
    differences of subject means; intervals by MOVER.

    References
    ----------
    Bland and Altman 1999, section 5.1, and 2007, section 2; intervals Zou 2013.
    """
    if len(test_groups) != len(reference_groups):
        raise ValueError(
            f"as many test groups as reference groups are needed, found {len(test_groups)} "
            f"and {len(reference_groups)}"
        )
    pairs = [
        (test, reference)
        for test, reference in zip(test_groups, reference_groups, strict=True)
        if test.size and reference.size
    ]
    n = sum(test.size + reference.size for test, reference in pairs)
    if len(pairs) < _MIN_GROUPS:
        return RepeatedLimits(len(pairs), n, NAN, NAN, NAN, NAN, NAN, NAN)
    means = np.array([test.mean() - reference.mean() for test, reference in pairs])
    parts = []
    for side in ([test for test, _ in pairs], [reference for _, reference in pairs]):
        within, degrees_of_freedom = _pool_within(side)
        weight = 1 - float(np.mean([1 / group.size for group in side]))
        parts.append((weight * within if degrees_of_freedom else 0.0, degrees_of_freedom))
    return _recover_limits(means, parts, n=n, factor=factor, confidence=confidence)


def compute_repeatability_sd(first: FloatArray, second: FloatArray) -> float:
    """Return the standard deviation of the differences of two readings by one method.

    Parameters
    ----------
    first
        First readings, shape ``(n_subjects,)``.
    second
        Second readings, same shape.

    Returns
    -------
    float
        In the unit of the readings; NaN for none.

    Raises
    ------
    ValueError
        The shapes differ.

    Notes
    -----
    Formula: sqrt(mean((first - second)^2)), the mean difference taken as 0.

    References
    ----------
    Bland and Altman 1986, section "Repeatability" (British Standards form).
    """
    require_same_shape(first, second)
    return float(np.sqrt(np.mean(np.square(first - second)))) if first.size else NAN


def _pool_within(groups: Sequence[FloatArray]) -> tuple[float, int]:
    degrees_of_freedom = sum(group.size - 1 for group in groups)
    squares = sum(float(np.sum(np.square(group - group.mean()))) for group in groups)
    return (squares / degrees_of_freedom if degrees_of_freedom else NAN), degrees_of_freedom


def _recover_limits(
    means: FloatArray,
    parts: Sequence[tuple[float, float]],
    *,
    n: int,
    factor: float,
    confidence: float,
) -> RepeatedLimits:
    """Join the between part and the weighted within parts, each with its degrees of freedom."""
    from scipy.special import chdtri, ndtri  # noqa: PLC0415 - scipy is slow to import

    k = means.size
    bias = float(np.mean(means))
    between = float(np.var(means, ddof=1))
    within = sum(variance for variance, _ in parts)
    variance = between + within
    tail = (1 - confidence) / 2
    below = above = 0.0
    for part, degrees_of_freedom in [(between, k - 1), *parts]:
        if degrees_of_freedom:
            below += (
                part * (1 - degrees_of_freedom / float(chdtri(degrees_of_freedom, tail)))
            ) ** 2
            above += (
                part * (degrees_of_freedom / float(chdtri(degrees_of_freedom, 1 - tail)) - 1)
            ) ** 2
    lowest = max(0.0, variance - float(np.sqrt(below)))
    highest = variance + float(np.sqrt(above))
    sd = float(np.sqrt(variance))
    bias_part = float(ndtri(1 - tail)) ** 2 * between / k
    inner = float(np.sqrt(bias_part + (factor * (sd - np.sqrt(lowest))) ** 2))
    outer = float(np.sqrt(bias_part + (factor * (np.sqrt(highest) - sd)) ** 2))
    low, high = bias - factor * sd, bias + factor * sd
    return RepeatedLimits(
        k,
        n,
        bias,
        sd,
        low,
        high,
        between,
        within,
        Interval(low - outer, low + inner),
        Interval(high - inner, high + outer),
    )
