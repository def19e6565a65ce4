"""Limits of agreement, concordance and correlation of heart rate."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Value, metric
from tasks.maths import agreement
from tasks.maths.arrays import NO_INTERVAL, Interval
from tasks.maths.concordance import (
    compute_ccc,
    compute_ccc_influence,
    compute_pearson_influence,
    compute_pearson_r,
    correct_pearson_r,
)
from tasks.maths.intervals import spread_interval
from tasks.maths.limits import FACTOR
from tasks.metrics.heart_rate.compared import TOO_FEW, Compared, compare_heart_rates
from tasks.metrics.heart_rate.dispersion import estimate_limit
from tasks.metrics.heart_rate.examples import APART, PAPER, PEAK_FLOW
from tasks.metrics.heart_rate.reference import HEART_RATE

if TYPE_CHECKING:
    from collections.abc import Callable

    from tasks.maths.arrays import FloatArray
    from tasks.workout.case import Case

_STILL: Final = "a heart rate that does not vary has no such figure"
_MIN_SPREAD: Final = 2


@metric(
    "heart_rate",
    title="Lower limit of agreement",
    unit="bpm",
    definition="Error below which 2.5 % of the seconds would lie if errors were normally "
    "distributed; heart-rate errors seldom are",
    formula="bias - 1.96 SD of the errors",
    better="zero",
    source="Bland and Altman 1986, Lancet 327:307; 1999, SMMR 8:135; interval after Zou 2013, "
    "SMMR 22:630",
    examples=(
        Example(PEAK_FLOW, -78.0973, "bias and SD of the paper's data by hand, 1.96 for 2", 0.0001),
        APART,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_loa_low_bpm(case: Case) -> Value:
    """Return the lower limit of agreement [bpm]."""
    return _give_limit(compare_heart_rates(case), -FACTOR)


@metric(
    "heart_rate",
    title="Upper limit of agreement",
    unit="bpm",
    definition="Error above which 2.5 % of the seconds would lie if errors were normally "
    "distributed; heart-rate errors seldom are",
    formula="bias + 1.96 SD of the errors",
    better="zero",
    source="Bland and Altman 1986, Lancet 327:307; 1999, SMMR 8:135; interval after Zou 2013, "
    "SMMR 22:630",
    examples=(
        Example(PEAK_FLOW, 73.8620, "bias and SD of the paper's data by hand, 1.96 for 2", 0.0001),
        APART,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_loa_high_bpm(case: Case) -> Value:
    """Return the upper limit of agreement [bpm]."""
    return _give_limit(compare_heart_rates(case), FACTOR)


@metric(
    "heart_rate",
    title="Concordance",
    unit="1",
    definition="Lin's concordance: 1 where all seconds lie on the line test = reference; grows "
    "with the range of heart rates, so do not compare it between workouts of different range; its "
    "interval treats the heart rates of this workout as fixed and only the device's errors as "
    "random",
    formula="2 s_xy / (s_x^2 + s_y^2 + (mean x - mean y)^2), variances over n",
    better="higher",
    source="Lin 1989, Biometrics 45:255; interval on Fisher's scale by blocks, own derivation, "
    "checked by simulation",
    examples=(
        Example(PEAK_FLOW, 0.9427, "printed for the same data by R's DescTools", 0.00005),
        APART,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_ccc(case: Case) -> Value:
    """Return Lin's concordance coefficient."""
    compared = compare_heart_rates(case)
    if compared.n < _MIN_SPREAD:
        return compared.decline(TOO_FEW)
    ccc = compute_ccc(compared.test, compared.reference)
    if not np.isfinite(ccc):
        return compared.decline(_STILL)
    return compared.give(ccc, _estimate_coefficient(compared, ccc, compute_ccc_influence))


@metric(
    "heart_rate",
    title="Correlation",
    unit="1",
    definition="Pearson's correlation of the two heart rates: how well one follows the other, "
    "which is not agreement: 1.2 x - 10 and x have correlation 1; its interval treats the heart "
    "rates of this workout as fixed",
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
        APART,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_pearson_r(case: Case) -> Value:
    """Return Pearson's correlation."""
    compared = compare_heart_rates(case)
    if compared.n < _MIN_SPREAD:
        return compared.decline(TOO_FEW)
    r = compute_pearson_r(compared.test, compared.reference)
    if not np.isfinite(r):
        return compared.decline(_STILL)
    interval = _estimate_coefficient(compared, r, compute_pearson_influence, n=compared.effective_n)
    return compared.give(r, interval.reach_to(r))


def _give_limit(compared: Compared, factor: float) -> Value:
    """Return bias + factor SD; the interval carries the uncertainty of both."""
    if compared.n < _MIN_SPREAD:
        return compared.decline(TOO_FEW)
    bias, sd = agreement.compute_bias(compared.error), agreement.compute_sd(compared.error)
    limit = bias + factor * sd
    if sd == 0:
        return compared.give(limit)
    return compared.give(limit, estimate_limit(compared, factor).reach_to(limit))


def _estimate_coefficient(
    compared: Compared,
    value: float,
    compute_influence: Callable[[FloatArray, FloatArray], FloatArray],
    n: float = float("inf"),
) -> Interval:
    """Return the interval of a coefficient over the heart rates that this workout had.

    `n` is the number of seconds that the middle is freed of bias for.
    """
    if not compared.reference.std() or abs(value) >= 1:
        return NO_INTERVAL
    influence = compute_influence(compared.test, compared.reference)
    half_width = compared.estimate_error(influence).compute_half_width()
    middle = correct_pearson_r(value, n)
    same_on_scale = (1 - middle**2) / (1 - value**2)
    return spread_interval(middle, half_width * same_on_scale, scale="fisher")
