"""Limits of agreement, concordance and correlation of heart rate."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Value, metric
from tasks.maths import agreement
from tasks.maths.concordance import compute_ccc, compute_pearson_r
from tasks.maths.limits import FACTOR
from tasks.metrics.heart_rate.compared import (
    NO_INTERVAL_OF_SQUARES,
    TOO_FEW,
    Compared,
    compare_heart_rates,
)
from tasks.metrics.heart_rate.examples import APART, PAPER, PEAK_FLOW
from tasks.metrics.heart_rate.reference import HEART_RATE

if TYPE_CHECKING:
    from tasks.workout.case import Case

_STILL: Final = "a heart rate that does not vary has no such figure"
_MIN_SPREAD: Final = 2


@metric(
    "heart_rate",
    title="Lower limit of agreement",
    unit="bpm",
    definition="Error below which 2.5 % of the seconds would lie if errors were normally "
    f"distributed; heart-rate errors seldom are; {NO_INTERVAL_OF_SQUARES}",
    formula="bias - 1.96 SD of the errors",
    better="zero",
    source="Bland and Altman 1986, Lancet 327:307; 1999, SMMR 8:135",
    examples=(
        Example(PEAK_FLOW, -78.0973, "bias and SD of the paper's data by hand, 1.96 for 2", 0.0001),
        APART,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    version=2,
)
def hr_loa_low_bpm(case: Case) -> Value:
    """Return the lower limit of agreement [bpm]."""
    return _give_limit(compare_heart_rates(case), -FACTOR)


@metric(
    "heart_rate",
    title="Upper limit of agreement",
    unit="bpm",
    definition="Error above which 2.5 % of the seconds would lie if errors were normally "
    f"distributed; heart-rate errors seldom are; {NO_INTERVAL_OF_SQUARES}",
    formula="bias + 1.96 SD of the errors",
    better="zero",
    source="Bland and Altman 1986, Lancet 327:307; 1999, SMMR 8:135",
    examples=(
        Example(PEAK_FLOW, 73.8620, "bias and SD of the paper's data by hand, 1.96 for 2", 0.0001),
        APART,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    version=2,
)
def hr_loa_high_bpm(case: Case) -> Value:
    """Return the upper limit of agreement [bpm]."""
    return _give_limit(compare_heart_rates(case), FACTOR)


@metric(
    "heart_rate",
    title="Concordance",
    unit="1",
    definition="Lin's concordance: 1 where all seconds lie on the line test = reference; grows "
    "with the range of heart rates, so do not compare it between workouts of different range; "
    f"{NO_INTERVAL_OF_SQUARES}",
    formula="2 s_xy / (s_x^2 + s_y^2 + (mean x - mean y)^2), variances over n",
    better="higher",
    source="Lin 1989, Biometrics 45:255",
    examples=(
        Example(PEAK_FLOW, 0.9427, "printed for the same data by R's DescTools", 0.00005),
        APART,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    version=2,
    level="compared",
)
def hr_ccc(case: Case) -> Value:
    """Return Lin's concordance coefficient."""
    compared = compare_heart_rates(case)
    if compared.n < _MIN_SPREAD:
        return compared.decline(TOO_FEW)
    ccc = compute_ccc(compared.test, compared.reference)
    if not np.isfinite(ccc):
        return compared.decline(_STILL)
    return compared.make_value(ccc)


@metric(
    "heart_rate",
    title="Correlation",
    unit="1",
    definition="Pearson's correlation of the two heart rates: how well one follows the other, "
    "which is not agreement: 1.2 x - 10 and x have correlation 1; "
    f"{NO_INTERVAL_OF_SQUARES}",
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
    version=2,
)
def hr_pearson_r(case: Case) -> Value:
    """Return Pearson's correlation."""
    compared = compare_heart_rates(case)
    if compared.n < _MIN_SPREAD:
        return compared.decline(TOO_FEW)
    r = compute_pearson_r(compared.test, compared.reference)
    if not np.isfinite(r):
        return compared.decline(_STILL)
    return compared.make_value(r)


def _give_limit(compared: Compared, factor: float) -> Value:
    """Return bias + factor SD."""
    if compared.n < _MIN_SPREAD:
        return compared.decline(TOO_FEW)
    bias, sd = agreement.compute_bias(compared.error), agreement.compute_sd(compared.error)
    limit = bias + factor * sd
    return compared.make_value(limit)
