"""How far heart rate is off: bias, spread, mean and largest errors."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import Example, Value, metric
from tasks.maths import agreement
from tasks.maths.agreement import PERCENT
from tasks.maths.long_run import SOURCE
from tasks.metrics.heart_rate.compared import (
    NO_INTERVAL_OF_SQUARES,
    NOTHING,
    TOO_FEW,
    compare_heart_rates,
)
from tasks.metrics.heart_rate.examples import APART, PAPER, PEAK_FLOW
from tasks.metrics.heart_rate.reference import HEART_RATE

if TYPE_CHECKING:
    from tasks.workout.case import Case

_QUANTILE: Final = 0.95
_MIN_SPREAD: Final = 2

#: Differences -10, 8, -8, 13 whose mean hides them.
_HIDDEN: Final[dict[str, Any]] = {
    "test": {HEART_RATE: [140, 160, 140, 164]},
    "reference": {HEART_RATE: [150, 152, 148, 151]},
}
_PENCIL: Final = "by hand: differences -10, 8, -8, 13"


@metric(
    "heart_rate",
    title="Bias",
    unit="bpm",
    definition="Mean error of heart rate, test minus reference, over the compared seconds; errors "
    "of opposite sign cancel, so a bias near 0 does not mean small errors",
    formula="mean(test - reference)",
    better="zero",
    source=f"Bland and Altman 1986, Lancet 327:307; {SOURCE}",
    examples=(Example(PEAK_FLOW, -2.1, PAPER, 0.05), Example(_HIDDEN, 0.75, _PENCIL), APART),
    against="heart_rate",
    needs=(HEART_RATE,),
    has_interval=True,
    version=3,
    level="compared",
)
def hr_bias_bpm(case: Case) -> Value:
    """Return the mean error [bpm]."""
    compared = compare_heart_rates(case)
    if not compared.n:
        return compared.decline(NOTHING)
    bias = agreement.compute_bias(compared.error)
    return compared.make_value(bias, compared.estimate_mean(compared.error))


@metric(
    "heart_rate",
    title="Spread of errors",
    unit="bpm",
    definition="Standard deviation of the errors of heart rate over the compared seconds; a "
    f"constant offset does not show; {NO_INTERVAL_OF_SQUARES}",
    formula="sqrt(sum((e - mean e)^2) / (n - 1)), e = test - reference",
    better="lower",
    source="Bland and Altman 1986, Lancet 327:307",
    examples=(Example(PEAK_FLOW, 38.8, PAPER, 0.05), APART),
    against="heart_rate",
    needs=(HEART_RATE,),
    version=2,
)
def hr_sd_bpm(case: Case) -> Value:
    """Return the standard deviation of the errors [bpm]."""
    compared = compare_heart_rates(case)
    if compared.n < _MIN_SPREAD:
        return compared.decline(TOO_FEW)
    return compared.make_value(agreement.compute_sd(compared.error))


@metric(
    "heart_rate",
    title="Mean absolute error",
    unit="bpm",
    definition="Mean absolute error of heart rate over the compared seconds; says nothing about "
    "its direction",
    formula="mean(|test - reference|)",
    better="lower",
    source=f"common practice; required by Muehlen et al. 2021, BJSM 55:767 (INTERLIVE); {SOURCE}",
    examples=(Example(_HIDDEN, 9.75, _PENCIL), APART),
    against="heart_rate",
    needs=(HEART_RATE,),
    has_interval=True,
    version=3,
    level="primary",
    judged_in="after_lock",
)
def hr_mae_bpm(case: Case) -> Value:
    """Return the mean absolute error [bpm]."""
    compared = compare_heart_rates(case)
    if not compared.n:
        return compared.decline(NOTHING)
    sizes = np.abs(compared.error)
    mae = agreement.compute_mae(compared.error)
    return compared.make_value(mae, compared.estimate_mean(sizes, least=0.0))


@metric(
    "heart_rate",
    title="Mean absolute error in percent",
    unit="%",
    definition="Mean absolute error of heart rate as a share of the reference, second by second; "
    "10 % is a weak criterion: at 150 bpm it allows 15 bpm",
    formula="100 mean(|test - reference| / reference)",
    better="lower",
    source=f"common practice; required by Muehlen et al. 2021, BJSM 55:767 (INTERLIVE); {SOURCE}",
    examples=(
        Example(_HIDDEN, 6.49, "by hand: mean of 10/150, 8/152, 8/148, 13/151", 0.005),
        Example(
            {"test": {HEART_RATE: [60, 190]}, "reference": {HEART_RATE: [50, 200]}},
            12.5,
            "by hand: mean of 20 % and 5 %, not 20 of 250",
        ),
        APART,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    has_interval=True,
    version=3,
    level="compared",
)
def hr_mape_pct(case: Case) -> Value:
    """Return the mean absolute error in percent of the reference."""
    compared = compare_heart_rates(case)
    if not compared.n:
        return compared.decline(NOTHING)
    mape = agreement.compute_mape_pct(compared.error, compared.reference)
    sizes = np.abs(compared.error)
    # The reference is taken as it was: only the size of the errors is left to chance.
    chance = PERCENT * (sizes - sizes.mean()) / np.where(compared.reference, compared.reference, 1)
    return compared.make_value(
        mape, compared.estimate_mean(mape + chance - chance.mean(), least=0.0)
    )


@metric(
    "heart_rate",
    title="Root mean square error",
    unit="bpm",
    definition="Root of the mean squared error of heart rate over the compared seconds; weighs "
    f"large errors more than the mean absolute error; {NO_INTERVAL_OF_SQUARES}",
    formula="sqrt(mean((test - reference)^2))",
    better="lower",
    source="common practice, no source",
    examples=(
        Example(_HIDDEN, 9.9624, "by hand: sqrt((100 + 64 + 64 + 169) / 4)", 0.0001),
        APART,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    version=2,
)
def hr_rmse_bpm(case: Case) -> Value:
    """Return the root mean square error [bpm]."""
    compared = compare_heart_rates(case)
    if not compared.n:
        return compared.decline(NOTHING)
    return compared.make_value(agreement.compute_rmse(compared.error))


@metric(
    "heart_rate",
    title="95th percentile of the error",
    unit="bpm",
    definition="Size of error that 95 % of the compared seconds stay within; does not say how "
    "large the others are; it has no interval, since a workout holds too few of the largest errors",
    formula="0.95 quantile of |test - reference|, linear between order statistics",
    better="lower",
    source="Hyndman and Fan 1996, American Statistician 50:361, type 7",
    examples=(
        Example(_HIDDEN, 12.55, "by hand: sizes 8, 8, 10, 13; 10 + 0.85 * 3"),
        APART,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    version=2,
)
def hr_p95_abs_bpm(case: Case) -> Value:
    """Return the 95th percentile of the absolute errors [bpm]."""
    compared = compare_heart_rates(case)
    if not compared.n:
        return compared.decline(NOTHING)
    return compared.make_value(agreement.compute_abs_quantile(compared.error, quantile=_QUANTILE))
