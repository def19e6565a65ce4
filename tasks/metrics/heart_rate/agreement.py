"""How closely heart rate agrees with the reference: bias, errors, shares, limits, concordance."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import Example, Value, metric
from tasks.maths import agreement
from tasks.maths.arrays import NO_INTERVAL, Interval
from tasks.maths.concordance import compute_ccc, compute_pearson_r
from tasks.maths.limits import FACTOR
from tasks.metrics.heart_rate.compared import Compared, compare_heart_rates
from tasks.metrics.heart_rate.reference import HEART_RATE

if TYPE_CHECKING:
    from tasks.case import Case
    from tasks.maths.arrays import BoolArray, FloatArray

_NOTHING: Final = "there is no second in which both have a heart rate"
_TWO: Final = "fewer than two seconds can be compared"
_STILL: Final = "a heart rate that does not vary has no such figure"
_PERCENT: Final = 100.0
_QUANTILE: Final = 0.95
_MIN_SPREAD: Final = 2

# Peak flow of 17 people by two meters [l/min], in the place of bpm.
# Bland and Altman 1986, Lancet 327:307, table 1, first readings.
_LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
_MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
_PEAK_FLOW: Final[dict[str, Any]] = {
    "test": {HEART_RATE: _LARGE},
    "reference": {HEART_RATE: _MINI},
}
_PAPER: Final = "Bland and Altman 1986, peak flow: printed in the paper"
#: Differences -10, 8, -8, 13 whose mean hides them.
_HIDDEN: Final[dict[str, Any]] = {
    "test": {HEART_RATE: [140, 160, 140, 164]},
    "reference": {HEART_RATE: [150, 152, 148, 151]},
}
_PENCIL: Final = "by hand: differences -10, 8, -8, 13"
_ALONE: Final = Example(
    {"test": {HEART_RATE: [120, None]}, "reference": {HEART_RATE: [None, 120]}},
    None,
    "no second in common",
)


@metric(
    "heart_rate",
    title="Bias",
    unit="bpm",
    definition="Mean error of heart rate, test minus reference, over the compared seconds; errors "
    "to both sides cancel, so a bias near 0 does not mean small errors",
    formula="mean(test - reference)",
    better="zero",
    source="Bland and Altman 1986, Lancet 327:307",
    examples=(Example(_PEAK_FLOW, -2.1, _PAPER, 0.05), Example(_HIDDEN, 0.75, _PENCIL), _ALONE),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_bias_bpm(case: Case) -> Value:
    """Give the mean error [bpm]."""
    compared = compare_heart_rates(case)
    if not compared.n:
        return compared.decline(_NOTHING)
    bias = agreement.compute_bias(compared.error)
    return compared.give(bias, compared.estimate_interval(compared.error))


@metric(
    "heart_rate",
    title="Spread of errors",
    unit="bpm",
    definition="Standard deviation of the errors of heart rate over the compared seconds; says "
    "nothing of a constant offset",
    formula="sqrt(sum((e - mean e)^2) / (n - 1)), e = test - reference",
    better="lower",
    source="Bland and Altman 1986, Lancet 327:307",
    examples=(Example(_PEAK_FLOW, 38.8, _PAPER, 0.05), _ALONE),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_sd_bpm(case: Case) -> Value:
    """Give the standard deviation of the errors [bpm]."""
    compared = compare_heart_rates(case)
    if compared.n < _MIN_SPREAD:
        return compared.decline(_TWO)
    sd = agreement.compute_sd(compared.error)
    squares = np.square(compared.error - compared.error.mean()) * (compared.n / (compared.n - 1))
    return compared.give(sd, _take_root(compared.estimate_interval(squares, scale="log")))


@metric(
    "heart_rate",
    title="Mean absolute error",
    unit="bpm",
    definition="Mean size of the error of heart rate over the compared seconds, whatever its sign",
    formula="mean(|test - reference|)",
    better="lower",
    source="common practice; required by Muehlen et al. 2021, BJSM 55:767 (INTERLIVE)",
    examples=(Example(_HIDDEN, 9.75, _PENCIL), _ALONE),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_mae_bpm(case: Case) -> Value:
    """Give the mean absolute error [bpm]."""
    compared = compare_heart_rates(case)
    if not compared.n:
        return compared.decline(_NOTHING)
    sizes = np.abs(compared.error)
    mae = agreement.compute_mae(compared.error)
    return compared.give(mae, compared.estimate_interval(sizes, scale="log"))


@metric(
    "heart_rate",
    title="Mean absolute error in percent",
    unit="%",
    definition="Mean size of the error of heart rate as a share of the reference, second by "
    "second; 10 % is a weak mark, at 150 bpm it forgives 15 bpm",
    formula="100 mean(|test - reference| / reference)",
    better="lower",
    source="common practice; required by Muehlen et al. 2021, BJSM 55:767 (INTERLIVE)",
    examples=(
        Example(_HIDDEN, 6.49, "by hand: mean of 10/150, 8/152, 8/148, 13/151", 0.005),
        Example(
            {"test": {HEART_RATE: [60, 190]}, "reference": {HEART_RATE: [50, 200]}},
            12.5,
            "by hand: mean of 20 % and 5 %, not 20 of 250",
        ),
        _ALONE,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_mape_pct(case: Case) -> Value:
    """Give the mean absolute error in percent of the reference."""
    compared = compare_heart_rates(case)
    if not compared.n:
        return compared.decline(_NOTHING)
    shares = _PERCENT * np.abs(compared.error) / np.where(compared.reference, compared.reference, 1)
    mape = agreement.compute_mape_pct(compared.error, compared.reference)
    return compared.give(mape, compared.estimate_interval(shares, scale="log"))


@metric(
    "heart_rate",
    title="Root mean square error",
    unit="bpm",
    definition="Root of the mean squared error of heart rate over the compared seconds; weighs "
    "large errors more than the mean absolute error",
    formula="sqrt(mean((test - reference)^2))",
    better="lower",
    source="common practice, no source",
    examples=(
        Example(_HIDDEN, 9.9624, "by hand: sqrt((100 + 64 + 64 + 169) / 4)", 0.0001),
        _ALONE,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_rmse_bpm(case: Case) -> Value:
    """Give the root mean square error [bpm]."""
    compared = compare_heart_rates(case)
    if not compared.n:
        return compared.decline(_NOTHING)
    interval = compared.estimate_interval(np.square(compared.error), scale="log")
    return compared.give(agreement.compute_rmse(compared.error), _take_root(interval))


@metric(
    "heart_rate",
    title="95th percentile of the error",
    unit="bpm",
    definition="Size of error that 95 % of the compared seconds stay within; says nothing of how "
    "large the others are",
    formula="0.95 quantile of |test - reference|, linear between order statistics",
    better="lower",
    source="Hyndman and Fan 1996, American Statistician 50:361, type 7; interval after Woodruff "
    "1952, JASA 47:635",
    examples=(
        Example(_HIDDEN, 12.55, "by hand: sizes 8, 8, 10, 13; 10 + 0.85 * 3"),
        _ALONE,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_p95_abs_bpm(case: Case) -> Value:
    """Give the 95th percentile of the absolute errors [bpm]."""
    compared = compare_heart_rates(case)
    if not compared.n:
        return compared.decline(_NOTHING)
    sizes = np.abs(compared.error)
    value = agreement.compute_abs_quantile(compared.error, quantile=_QUANTILE)
    share = compared.estimate_interval((sizes <= value).astype(np.float64))
    half = (share.high - share.low) / 2
    if not np.isfinite(half):
        return compared.give(value)
    levels = [max(0.0, _QUANTILE - half), min(1.0, _QUANTILE + half)]
    low, high = np.quantile(sizes, levels)
    return compared.give(value, Interval(float(low), float(high)))


@metric(
    "heart_rate",
    title="Within 5 bpm",
    unit="%",
    definition="Share of the compared seconds in which heart rate is at most 5 bpm off",
    formula="100 mean(|test - reference| <= 5)",
    better="higher",
    source="common practice, no source",
    examples=(
        Example(
            {"test": {HEART_RATE: [105, 106, 95, 100]}, "reference": {HEART_RATE: [100] * 4}},
            75.0,
            "by hand: 5, 6, -5, 0; the edge counts as inside",
        ),
        _ALONE,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_within_5_bpm_pct(case: Case) -> Value:
    """Give the share of seconds within 5 bpm [%]."""
    compared = compare_heart_rates(case)
    return _give_share(compared, np.abs(compared.error) <= 5)  # noqa: PLR2004 - the metric's name


@metric(
    "heart_rate",
    title="Within 10 %",
    unit="%",
    definition="Share of the compared seconds in which heart rate is at most 10 % of the "
    "reference off; weak where the heart beats fast",
    formula="100 mean(|test - reference| <= 0.1 reference)",
    better="higher",
    source="common practice, no source",
    examples=(
        Example(
            {
                "test": {HEART_RATE: [110, 111, 45, 44]},
                "reference": {HEART_RATE: [100, 100, 50, 50]},
            },
            50.0,
            "by hand: 10 %, 11 %, -10 %, -12 %",
        ),
        _ALONE,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_within_10_pct_pct(case: Case) -> Value:
    """Give the share of seconds within 10 % of the reference [%]."""
    compared = compare_heart_rates(case)
    inside = agreement.mark_within_relative(compared.error, compared.reference, limit_pct=10.0)
    return _give_share(compared, inside)


@metric(
    "heart_rate",
    title="Within 5 bpm or 10 %",
    unit="%",
    definition="Share of the compared seconds in which heart rate is off by at most the greater "
    "of 5 bpm and 10 % of the reference",
    formula="100 mean(|test - reference| <= max(5, 0.1 reference))",
    better="higher",
    source="the form of ANSI/AAMI EC13 for heart-rate meters, from memory",
    examples=(
        Example(
            {
                "test": {HEART_RATE: [45, 46, 110, 111]},
                "reference": {HEART_RATE: [40, 40, 100, 100]},
            },
            50.0,
            "by hand: 5 (inside), 6 (limit 5), 10 (inside), 11 (limit 10)",
        ),
        _ALONE,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_within_5_bpm_or_10_pct_pct(case: Case) -> Value:
    """Give the share of seconds within the greater of 5 bpm and 10 % [%]."""
    compared = compare_heart_rates(case)
    inside = agreement.mark_within_relative(compared.error, compared.reference, limit_pct=10.0)
    return _give_share(compared, inside | (np.abs(compared.error) <= 5))  # noqa: PLR2004


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
        Example(
            _PEAK_FLOW, -78.0973, "bias and SD of the paper's data by hand, 1.96 for 2", 0.0001
        ),
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
        Example(_PEAK_FLOW, 73.8620, "bias and SD of the paper's data by hand, 1.96 for 2", 0.0001),
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
        Example(_PEAK_FLOW, 0.9427, "printed for the same data by R's DescTools", 0.00005),
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
        Example(_PEAK_FLOW, 0.94, _PAPER, 0.005),
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


@metric(
    "heart_rate",
    title="Effective number of seconds",
    unit="1",
    definition="Number of independent seconds that the compared ones are worth for their mean "
    "error, since each second repeats most of the one before",
    formula="n (1 - rho) / (1 + rho), rho the autocorrelation of the error at 1 s; intervals use "
    "blocks of 4 (1 + rho) / (1 - rho) s, at least 150 s",
    better="none",
    source="Bayley and Hammersley 1946, JRSS Supplement 8:184, first-order form; rho after the "
    "NIST/SEMATECH e-Handbook, section 1.3.5.12",
    examples=(
        Example(
            {
                "test": {HEART_RATE: [100, 100, 102, 102] * 2},
                "reference": {HEART_RATE: [101] * 8},
            },
            56 / 9,
            "by hand: errors -1 -1 1 1 twice, rho = (1 - 1 + 1 - 1 + 1 - 1 + 1) / 8",
        ),
        Example(
            {"test": {HEART_RATE: [100, 101]}, "reference": {HEART_RATE: [100, 100]}},
            2.0,
            "too few for an autocorrelation: as many as there are",
        ),
        _ALONE,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_effective_n(case: Case) -> Value:
    """Give the effective number of compared seconds."""
    compared = compare_heart_rates(case)
    if not compared.n:
        return compared.decline(_NOTHING)
    if not np.isfinite(compared.effective_n):
        return compared.decline("errors that do not vary have no autocorrelation")
    return compared.give(compared.effective_n)


def _give_share(compared: Compared, inside: BoolArray) -> Value:
    """Give the share of marked seconds in percent.

    A share of 0 or 100 % has no spread to make an interval from; its open end then is that of an
    exact binomial interval over the effective number of seconds (Clopper and Pearson 1934).
    """
    if not compared.n:
        return compared.decline(_NOTHING)
    share = float(np.mean(inside))
    if share in {0.0, 1.0}:
        trials = compared.effective_n
        reach = 1 - 0.025 ** (1 / trials) if np.isfinite(trials) and trials > 1 else np.nan
        ends = (0.0, reach) if share == 0 else (1 - reach, 1.0)
    else:
        found = compared.estimate_interval(inside.astype(np.float64))
        ends = (
            (max(0.0, found.low), min(1.0, found.high)) if found != NO_INTERVAL else (np.nan,) * 2
        )
    return compared.give(_PERCENT * share, Interval(_PERCENT * ends[0], _PERCENT * ends[1]))


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


def _take_root(interval: Interval) -> Interval:
    return Interval(float(np.sqrt(interval.low)), float(np.sqrt(interval.high)))


def _centre(values: FloatArray) -> FloatArray:
    centred: FloatArray = values - values.mean()
    return centred
