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
    """Return the mean difference, in the unit of the series.

    *Source*: Bland and Altman 1986, Lancet 327:307. Formula: mean(d).
    Says nothing of single samples: errors of opposite sign cancel.
    """
    return float(np.mean(differences)) if differences.size else NAN


def compute_sd(differences: FloatArray) -> float:
    """Return the standard deviation of the differences with n - 1 below, two passes.

    Fewer than two samples give NaN. *Source*: Bland and Altman 1986.
    Formula: sqrt(sum((d - mean d)^2) / (n - 1)). A single pass over sums of squares loses every
    digit on data with a large mean (NIST NumAcc3 and 4), so it is not used.
    """
    return float(np.std(differences, ddof=1)) if differences.size >= _MIN_FOR_SPREAD else NAN


def compute_mae(differences: FloatArray) -> float:
    """Return the mean absolute difference, in the unit of the series.

    *Source*: common practice. Formula: mean(abs(d)).
    """
    return float(np.mean(np.abs(differences))) if differences.size else NAN


def compute_rmse(differences: FloatArray) -> float:
    """Return the root of the mean squared difference, in the unit of the series.

    *Source*: common practice. Formula: sqrt(mean(d^2)). Weighs large errors more than the MAE.
    """
    return float(np.sqrt(np.mean(np.square(differences)))) if differences.size else NAN


def compute_mape_pct(differences: FloatArray, reference: FloatArray) -> float:
    """Return the mean absolute difference relative to the reference, in percent.

    Formula: 100 mean(abs(d) / abs(ref)), per sample and then the mean, not a ratio of sums; samples
    whose reference is 0 are dropped. *Source*: Muehlen et al. 2021, BJSM 55:767 (INTERLIVE).
    Ten percent is a weak mark: at 150 bpm it forgives 15 bpm.
    *Raises* ValueError if the shapes differ.
    """
    require_same_shape(differences, reference)
    usable = reference != 0
    if not usable.any():
        return NAN
    return PERCENT * float(np.mean(np.abs(differences[usable]) / np.abs(reference[usable])))


def compute_abs_quantile(differences: FloatArray, *, quantile: float) -> float:
    """Return a quantile of the absolute differences, linear between order statistics.

    *Source*: Hyndman and Fan 1996, American Statistician 50:361, type 7.
    """
    return float(np.quantile(np.abs(differences), quantile)) if differences.size else NAN


def compute_share_within_pct(differences: FloatArray, *, limit: float) -> float:
    """Return the share of samples whose absolute difference is at most a limit, in percent."""
    return PERCENT * float(np.mean(np.abs(differences) <= limit)) if differences.size else NAN


def mark_within_relative(
    differences: FloatArray, reference: FloatArray, *, limit_pct: float
) -> BoolArray:
    """Mark the samples whose absolute difference is at most a percentage of the reference.

    *Raises* ValueError if the shapes differ.
    """
    require_same_shape(differences, reference)
    marked: BoolArray = np.abs(differences) <= (limit_pct / PERCENT) * np.abs(reference)
    return marked


def compute_share_within_relative_pct(
    differences: FloatArray, reference: FloatArray, *, limit_pct: float
) -> float:
    """Return the share of samples within a percentage of the reference, in percent.

    *Raises* ValueError if the shapes differ.
    """
    marked = mark_within_relative(differences, reference, limit_pct=limit_pct)
    return PERCENT * float(np.mean(marked)) if marked.size else NAN


def compute_share_within_greater_pct(
    differences: FloatArray, reference: FloatArray, *, limit: float, limit_pct: float
) -> float:
    """Return the share of samples within the greater of a limit and a percentage, in percent.

    *Source*: the form of ANSI/AAMI EC13 for heart-rate meters (greater of 5 bpm and 10 %), from
    memory; the standard's text was not read.
    *Raises* ValueError if the shapes differ.
    """
    relative = mark_within_relative(differences, reference, limit_pct=limit_pct)
    marked = relative | (np.abs(differences) <= limit)
    return PERCENT * float(np.mean(marked)) if marked.size else NAN
