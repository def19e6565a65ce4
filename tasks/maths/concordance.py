"""Correlation and concordance: Pearson's r, Lin's coefficient, intraclass correlation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tasks.maths.arrays import NAN, NO_INTERVAL, FloatArray, Interval, require_same_shape

_MIN_PAIRS = 3
_MIN_SIDE = 2


@dataclass(frozen=True, slots=True)
class Concordance:
    """Lin's concordance, its standard error and interval, and the two factors it is made of."""

    ccc: float
    standard_error: float
    interval: Interval
    pearson_r: float
    bias_correction: float


@dataclass(frozen=True, slots=True)
class IntraclassCorrelation:
    """Mean squares and the six forms of Shrout and Fleiss, with intervals.

    ``forms`` runs ICC(1,1), ICC(2,1), ICC(3,1), ICC(1,k), ICC(2,k), ICC(3,k), ``intervals`` alike.
    """

    between_targets: float
    within_targets: float
    between_judges: float
    residual: float
    forms: tuple[float, ...]
    intervals: tuple[Interval, ...]


def compute_pearson_r(first: FloatArray, second: FloatArray) -> float:
    """Return Pearson's correlation of two series ``(n_pairs,)``; NaN if one does not vary.

    Shows how well one series follows the other, not that they agree: 1.2 x - 10 and x have 1.

    Parameters
    ----------
    first, second
        Series, shape ``(n_pairs,)``, without missing values.

    Returns
    -------
    float
        -1 to 1; NaN if one does not vary.

    Raises
    ------
    ValueError
        If the shapes differ.
    """
    require_same_shape(first, second)
    if first.size < _MIN_SIDE:
        return NAN
    a, b = first - first.mean(), second - second.mean()
    scale = float(np.sqrt((a @ a) * (b @ b)))
    return float(np.clip((a @ b) / scale, -1.0, 1.0)) if scale > 0 else NAN


def compute_ccc(test: FloatArray, reference: FloatArray) -> float:
    """Return Lin's concordance coefficient of two series ``(n_pairs,)``.

    Formula: 2 s_xy / (s_x^2 + s_y^2 + (mean x - mean y)^2) with n below in the variances.

    Parameters
    ----------
    test, reference
        Series, shape ``(n_pairs,)``, without missing values.

    Returns
    -------
    float
        -1 to 1; NaN where both are constant and equal: nothing varies that could concord.
        Depends on the range of the values: never compare it across workouts of different range.

    Raises
    ------
    ValueError
        If the shapes differ.

    References
    ----------
    Lin 1989, Biometrics 45:255.
    """
    require_same_shape(test, reference)
    if test.size < _MIN_SIDE:
        return NAN
    a, b = test - test.mean(), reference - reference.mean()
    shift = test.mean() - reference.mean()
    below = float((a @ a + b @ b) / test.size + shift**2)
    return float(2 * (a @ b) / test.size) / below if below > 0 else NAN


@dataclass(frozen=True, slots=True)
class _ErrorParts:
    """Centred reference, slope of the test on it, what the line leaves, reference variance."""

    moved: FloatArray
    slope: float
    left: FloatArray
    variance: float


def _split_errors(test: FloatArray, reference: FloatArray) -> _ErrorParts:
    require_same_shape(test, reference)
    moved = reference - reference.mean()
    variance = float(np.mean(np.square(moved)))
    if variance == 0:
        raise ValueError("a reference that does not vary has no slope")
    slope = float(np.mean(moved * test)) / variance
    left = test - test.mean() - slope * moved
    return _ErrorParts(moved, slope, left, variance)


def compute_concordance(
    test: FloatArray, reference: FloatArray, *, confidence: float = 0.95
) -> Concordance:
    """Return Lin's concordance with standard error, interval, Pearson's r and C_b.

    The standard error is the one corrected in 2000, the interval is made on the scale of the
    inverse hyperbolic tangent with the normal quantile.

    Parameters
    ----------
    test, reference
        Series of independent pairs, shape ``(n_pairs,)``.
    confidence
        Share of such intervals that are to hold the truth.

    Returns
    -------
    Concordance
        Without an interval for fewer than three pairs or a series without variation.

    Raises
    ------
    ValueError
        If the shapes differ.

    References
    ----------
    Lin 1989, Biometrics 45:255, corrected 2000, Biometrics 56:324.
    """
    from scipy.stats import norm  # noqa: PLC0415 - scipy is slow to import

    ccc, r = compute_ccc(test, reference), compute_pearson_r(test, reference)
    if test.size < _MIN_PAIRS or not np.isfinite(r) or r == 0:
        return Concordance(ccc, NAN, NO_INTERVAL, r, NAN)
    shift = float(test.mean() - reference.mean()) / float(np.sqrt(test.std() * reference.std()))
    inner = (
        (1 - r**2) * ccc**2 * (1 - ccc**2) / r**2
        + 2 * ccc**3 * (1 - ccc) * shift**2 / r
        - ccc**4 * shift**4 / (2 * r**2)
    )
    error = float(np.sqrt(max(0.0, inner) / (test.size - 2)))
    if abs(ccc) >= 1:
        return Concordance(ccc, 0.0, Interval(ccc, ccc), r, ccc / r)
    half = float(norm.ppf(0.5 + confidence / 2)) * error / (1 - ccc**2)
    centre = float(np.arctanh(ccc))
    interval = Interval(float(np.tanh(centre - half)), float(np.tanh(centre + half)))
    return Concordance(ccc, error, interval, r, ccc / r)


def compute_intraclass_correlation(
    ratings: FloatArray, *, confidence: float = 0.95
) -> IntraclassCorrelation:
    """Return the six intraclass correlations of a table ``(n_targets, n_judges)`` without gaps.

    For devices take ICC(2,1), absolute agreement.

    Parameters
    ----------
    ratings
        Table without gaps, shape ``(n_targets, n_judges)``.
    confidence
        Share of such intervals that are to hold the truth.

    Returns
    -------
    IntraclassCorrelation
        The six forms with their intervals.

    Raises
    ------
    ValueError
        For fewer than two targets or judges.

    References
    ----------
    Shrout and Fleiss 1979, Psychological Bulletin 86:420; the intervals of forms 2 after the same
    paper, p. 424.
    """
    if ratings.ndim != _MIN_SIDE or min(ratings.shape) < _MIN_SIDE:
        raise ValueError(f"ratings must be at least 2 targets by 2 judges, found {ratings.shape}")
    n, k = ratings.shape
    grand = ratings.mean()
    targets = k * float(np.sum(np.square(ratings.mean(axis=1) - grand)))
    judges = n * float(np.sum(np.square(ratings.mean(axis=0) - grand)))
    total = float(np.sum(np.square(ratings - grand)))
    bms, jms = targets / (n - 1), judges / (k - 1)
    wms = (total - targets) / (n * (k - 1))
    ems = (total - targets - judges) / ((n - 1) * (k - 1))
    forms = (
        (bms - wms) / (bms + (k - 1) * wms),
        (bms - ems) / (bms + (k - 1) * ems + k * (jms - ems) / n),
        (bms - ems) / (bms + (k - 1) * ems),
        (bms - wms) / bms,
        (bms - ems) / (bms + (jms - ems) / n),
        (bms - ems) / bms,
    )
    intervals = _compute_icc_intervals((bms, wms, jms, ems), (n, k), forms[1], confidence)
    return IntraclassCorrelation(bms, wms, jms, ems, forms, intervals)


def _compute_icc_intervals(
    squares: tuple[float, float, float, float],
    shape: tuple[int, int],
    absolute: float,
    confidence: float,
) -> tuple[Interval, ...]:
    from scipy.stats import f as fisher  # noqa: PLC0415 - scipy is slow to import

    bms, wms, jms, ems = squares
    n, k = shape
    upper = 0.5 + confidence / 2
    one, two = n - 1, (n - 1) * (k - 1)

    def bound(ratio: float, degrees_of_freedom: int) -> tuple[float, float]:
        return (
            ratio / float(fisher.ppf(upper, one, degrees_of_freedom)),
            ratio * float(fisher.ppf(upper, degrees_of_freedom, one)),
        )

    random_low, random_high = bound(bms / wms, n * (k - 1))
    fixed_low, fixed_high = bound(bms / ems, two)
    judge_ratio = jms / ems
    weight = n * (1 + (k - 1) * absolute) - k * absolute
    degrees_of_freedom = ((k - 1) * (n - 1) * (k * absolute * judge_ratio + weight) ** 2) / (
        (n - 1) * k**2 * absolute**2 * judge_ratio**2 + weight**2
    )
    f_up = float(fisher.ppf(upper, one, degrees_of_freedom))
    f_down = float(fisher.ppf(upper, degrees_of_freedom, one))
    rest = k * jms + (k * n - k - n) * ems
    absolute_low = n * (bms - f_up * ems) / (f_up * rest + n * bms)
    absolute_high = n * (f_down * bms - ems) / (rest + n * f_down * bms)
    return (
        Interval(
            (random_low - 1) / (random_low + k - 1), (random_high - 1) / (random_high + k - 1)
        ),
        Interval(absolute_low, absolute_high),
        Interval((fixed_low - 1) / (fixed_low + k - 1), (fixed_high - 1) / (fixed_high + k - 1)),
        Interval(1 - 1 / random_low, 1 - 1 / random_high),
        Interval(
            absolute_low * k / (1 + absolute_low * (k - 1)),
            absolute_high * k / (1 + absolute_high * (k - 1)),
        ),
        Interval(1 - 1 / fixed_low, 1 - 1 / fixed_high),
    )
