"""Limits of agreement, concordance and correlation of heart rate."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Value, metric
from tasks.maths import agreement
from tasks.maths.arrays import NO_INTERVAL, Interval
from tasks.maths.concordance import compute_ccc, compute_pearson_r
from tasks.maths.limits import FACTOR
from tasks.metrics.heart_rate.compared import Compared, compare_heart_rates
from tasks.metrics.heart_rate.published import PAPER, PEAK_FLOW
from tasks.metrics.heart_rate.reference import HEART_RATE

if TYPE_CHECKING:
    from tasks.case import Case
    from tasks.maths.arrays import FloatArray

_TWO: Final = "fewer than two seconds can be compared"
_STILL: Final = "a heart rate that does not vary has no such figure"
_MIN_SPREAD: Final = 2

_ALONE: Final = Example(
    {"test": {HEART_RATE: [120, None]}, "reference": {HEART_RATE: [None, 120]}},
    None,
    "no second in common",
)


@metric(
    "heart_rate",
    title="Lower limit of agreement",
    unit="bpm",
    definition="Error below which 2.5 % of the seconds would lie if errors were normally "
    "distributed; errors of heart rate seldom are",
    formula="bias - 1.96 SD of the errors",
    better="zero",
    source="Bland and Altman 1986, Lancet 327:307; 1999, SMMR 8:135",
    examples=(
        Example(PEAK_FLOW, -78.0973, "bias and SD of the paper's data by hand, 1.96 for 2", 0.0001),
        _ALONE,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_loa_low_bpm(case: Case) -> Value:
    """Give the lower limit of agreement [bpm]."""
    return _give_limit(compare_heart_rates(case), -FACTOR)


@metric(
    "heart_rate",
    title="Upper limit of agreement",
    unit="bpm",
    definition="Error above which 2.5 % of the seconds would lie if errors were normally "
    "distributed; errors of heart rate seldom are",
    formula="bias + 1.96 SD of the errors",
    better="zero",
    source="Bland and Altman 1986, Lancet 327:307; 1999, SMMR 8:135",
    examples=(
        Example(PEAK_FLOW, 73.8620, "bias and SD of the paper's data by hand, 1.96 for 2", 0.0001),
        _ALONE,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_loa_high_bpm(case: Case) -> Value:
    """Give the upper limit of agreement [bpm]."""
    return _give_limit(compare_heart_rates(case), FACTOR)


@metric(
    "heart_rate",
    title="Concordance",
    unit="1",
    definition="Lin's concordance: 1 where all seconds lie on the line test = reference; grows "
    "with the range of heart rates, so never compare it between workouts of different range",
    formula="2 s_xy / (s_x^2 + s_y^2 + (mean x - mean y)^2), variances over n",
    better="higher",
    source="Lin 1989, Biometrics 45:255",
    examples=(
        Example(PEAK_FLOW, 0.9427, "printed for the same data by R's DescTools", 0.00005),
        _ALONE,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_ccc(case: Case) -> Value:
    """Give Lin's concordance coefficient."""
    compared = compare_heart_rates(case)
    if compared.n < _MIN_SPREAD:
        return compared.decline(_TWO)
    ccc = compute_ccc(compared.test, compared.reference)
    if not np.isfinite(ccc):
        return compared.decline(_STILL)
    a, b = _centre(compared.test), _centre(compared.reference)
    shift = float(np.mean(compared.error))
    above = 2 * a * b
    below = np.square(a) + np.square(b) + 2 * shift * (a - b) + shift**2
    influence = (above - ccc * below) / float(np.mean(below))
    return compared.give(ccc, _widen_on_tanh(compared, ccc, influence))


@metric(
    "heart_rate",
    title="Correlation",
    unit="1",
    definition="Pearson's correlation of the two heart rates: how well one follows the other, "
    "which is not agreement, since 1.2 x - 10 against x has correlation 1",
    formula="s_xy / (s_x s_y)",
    better="none",
    source="Bland and Altman 1986, Lancet 327:307, on why it is no measure of agreement",
    examples=(
        Example(PEAK_FLOW, 0.94, PAPER, 0.005),
        Example(
            {"test": {HEART_RATE: [110, 134, 158]}, "reference": {HEART_RATE: [100, 120, 140]}},
            1.0,
            "by hand: test = 1.2 reference - 10",
        ),
        _ALONE,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_pearson_r(case: Case) -> Value:
    """Give Pearson's correlation."""
    compared = compare_heart_rates(case)
    if compared.n < _MIN_SPREAD:
        return compared.decline(_TWO)
    r = compute_pearson_r(compared.test, compared.reference)
    if not np.isfinite(r):
        return compared.decline(_STILL)
    a = _centre(compared.test) / compared.test.std()
    b = _centre(compared.reference) / compared.reference.std()
    influence = a * b - r * (np.square(a) + np.square(b)) / 2
    return compared.give(r, _widen_on_tanh(compared, r, influence))


def _give_limit(compared: Compared, factor: float) -> Value:
    """Give bias + factor SD; the interval carries the uncertainty of both (delta method)."""
    if compared.n < _MIN_SPREAD:
        return compared.decline(_TWO)
    bias, sd = agreement.compute_bias(compared.error), agreement.compute_sd(compared.error)
    limit = bias + factor * sd
    centred = compared.error - bias
    if sd == 0:
        return compared.give(limit)
    influence = centred + factor * (np.square(centred) - sd**2) / (2 * sd)
    found = compared.estimate_interval(influence)
    half = (found.high - found.low) / 2
    return compared.give(limit, Interval(limit - half, limit + half))


def _widen_on_tanh(compared: Compared, value: float, influence: FloatArray) -> Interval:
    """Give an interval for a coefficient between -1 and 1 on Fisher's scale (delta method)."""
    if abs(value) >= 1:
        return NO_INTERVAL
    found = compared.estimate_interval(influence)
    half = (found.high - found.low) / 2 / (1 - value**2)
    centre = float(np.arctanh(value))
    return Interval(float(np.tanh(centre - half)), float(np.tanh(centre + half)))


def _centre(values: FloatArray) -> FloatArray:
    centred: FloatArray = values - values.mean()
    return centred
