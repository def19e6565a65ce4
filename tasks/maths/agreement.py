"""How closely two paired series agree: bias, spread, mean and largest errors, shares.

All functions take the differences test minus reference, shape ``(n_samples,)``, without missing
values, in the unit of the series. Empty input gives NaN, never zero.
"""

from __future__ import annotations

import numpy as np

from tasks.maths.arrays import NAN, BoolArray, FloatArray, require_same_shape

PERCENT = 100.0
_MIN_FOR_SPREAD = 2


def compute_bias(differences: FloatArray) -> float:
    """Return the mean difference.

    Parameters
    ----------
    differences
        Differences test minus reference, shape ``(n,)``, without missing values.

    Returns
    -------
    float
        In the unit of the series; NaN for none. Errors of opposite sign cancel.

    Notes
    -----
    Formula: mean(d).

    References
    ----------
    Bland and Altman 1986, Lancet 327:307.
    """
    return float(np.mean(differences)) if differences.size else NAN


def compute_sd(differences: FloatArray) -> float:
    """Return the standard deviation of the differences.

    Parameters
    ----------
    differences
        Differences test minus reference, shape ``(n,)``, without missing values.

    Returns
    -------
    float
        In the unit of the series; NaN for fewer than two.

    Notes
    -----
    Formula: sqrt(sum((d - mean d)^2) / (n - 1)), in two passes. A single pass over sums of squares
    loses every digit on data with a large mean (NIST NumAcc3 and 4).

    References
    ----------
    Bland and Altman 1986, Lancet 327:307.
    """
    return float(np.std(differences, ddof=1)) if differences.size >= _MIN_FOR_SPREAD else NAN


def compute_mae(differences: FloatArray) -> float:
    """Return the mean absolute difference.

    Parameters
    ----------
    differences
        Differences test minus reference, shape ``(n,)``, without missing values.

    Returns
    -------
    float
        In the unit of the series; NaN for none.

    Notes
    -----
    Formula: mean(abs(d)), common practice.
    """
    return float(np.mean(np.abs(differences))) if differences.size else NAN


def compute_rmse(differences: FloatArray) -> float:
    """Return the root of the mean squared difference.

    Parameters
    ----------
    differences
        Differences test minus reference, shape ``(n,)``, without missing values.

    Returns
    -------
    float
        In the unit of the series; NaN for none.

    Notes
    -----
    Formula: sqrt(mean(d^2)), common practice. Weighs large errors more than the mean absolute one.
    """
    return float(np.sqrt(np.mean(np.square(differences)))) if differences.size else NAN


def compute_mape_pct(differences: FloatArray, reference: FloatArray) -> float:
    """Return the mean absolute difference relative to the reference, in percent.

    Parameters
    ----------
    differences
        Differences test minus reference, shape ``(n,)``, without missing values.
    reference
        Shape ``(n,)``, same unit; samples whose reference is 0 are dropped.

    Returns
    -------
    float
        In percent; NaN for none. Ten percent is a weak mark: at 150 bpm it forgives 15 bpm.

    Raises
    ------
    ValueError
        The shapes differ.

    Notes
    -----
    Formula: 100 mean(abs(d) / abs(ref)), per sample and then the mean, not a ratio of sums.

    References
    ----------
    Muehlen et al. 2021, BJSM 55:767 (INTERLIVE).
    """
    require_same_shape(differences, reference)
    usable = reference != 0
    if not usable.any():
        return NAN
    return PERCENT * float(np.mean(np.abs(differences[usable]) / np.abs(reference[usable])))


def compute_abs_quantile(differences: FloatArray, *, quantile: float) -> float:
    """Return a quantile of the absolute differences, linear between order statistics.

    Parameters
    ----------
    differences
        Differences test minus reference, shape ``(n,)``, without missing values.
    quantile
        Between 0 and 1.

    Returns
    -------
    float
        In the unit of the series; NaN for none.

    References
    ----------
    Hyndman and Fan 1996, American Statistician 50:361, type 7.
    """
    return float(np.quantile(np.abs(differences), quantile)) if differences.size else NAN


def compute_share_within_pct(differences: FloatArray, *, limit: float) -> float:
    """Return the share of samples whose absolute difference is at most a limit.

    Parameters
    ----------
    differences
        Differences test minus reference, shape ``(n,)``, without missing values.
    limit
        In the unit of the series; a difference equal to it is within.

    Returns
    -------
    float
        In percent; NaN for none.
    """
    return PERCENT * float(np.mean(np.abs(differences) <= limit)) if differences.size else NAN


def mark_within_relative(
    differences: FloatArray, reference: FloatArray, *, limit_pct: float
) -> BoolArray:
    """Mark the samples whose absolute difference is at most a percentage of the reference.

    Parameters
    ----------
    differences
        Differences test minus reference, shape ``(n,)``, without missing values.
    reference
        Shape ``(n,)``, same unit.
    limit_pct
        In percent of the reference.

    Returns
    -------
    BoolArray
        Shape ``(n,)``.

    Raises
    ------
    ValueError
        The shapes differ.
    """
    require_same_shape(differences, reference)
    marked: BoolArray = np.abs(differences) <= (limit_pct / PERCENT) * np.abs(reference)
    return marked


def compute_share_within_relative_pct(
    differences: FloatArray, reference: FloatArray, *, limit_pct: float
) -> float:
    """Return the share of samples within a percentage of the reference.

    Parameters
    ----------
    differences
        Differences test minus reference, shape ``(n,)``, without missing values.
    reference
        Shape ``(n,)``, same unit.
    limit_pct
        In percent of the reference.

    Returns
    -------
    float
        In percent; NaN for none.

    Raises
    ------
    ValueError
        The shapes differ.
    """
    marked = mark_within_relative(differences, reference, limit_pct=limit_pct)
    return PERCENT * float(np.mean(marked)) if marked.size else NAN


def compute_share_within_greater_pct(
    differences: FloatArray, reference: FloatArray, *, limit: float, limit_pct: float
) -> float:
    """Return the share of samples within the greater of a limit and a percentage.

    Parameters
    ----------
    differences
        Differences test minus reference, shape ``(n,)``, without missing values.
    reference
        Shape ``(n,)``, same unit.
    limit
        In the unit of the series.
    limit_pct
        In percent of the reference.

    Returns
    -------
    float
        In percent; NaN for none.

    Raises
    ------
    ValueError
        The shapes differ.

    References
    ----------
    The form of ANSI/AAMI EC13 for heart-rate meters (greater of 5 bpm and 10 %), from memory; the
    standard's text was not read.
    """
    relative = mark_within_relative(differences, reference, limit_pct=limit_pct)
    marked = relative | (np.abs(differences) <= limit)
    return PERCENT * float(np.mean(marked)) if marked.size else NAN
