"""Share of the time in which heart rate is close enough."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Value, metric
from tasks.maths import agreement
from tasks.maths.agreement import PERCENT
from tasks.maths.arrays import Interval
from tasks.maths.long_run import SOURCE, LongRun
from tasks.metrics.heart_rate.compared import NOTHING, Compared, compare_heart_rates
from tasks.metrics.heart_rate.examples import APART
from tasks.metrics.heart_rate.reference import HEART_RATE

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray
    from tasks.workout.case import Case

_INTERVAL: Final = f"{SOURCE}, on the logit scale"


@metric(
    "heart_rate",
    title="Within 5 bpm",
    unit="%",
    definition="Share of the compared seconds in which heart rate is off by at most 5 bpm",
    formula="100 mean(|test - reference| <= 5)",
    better="higher",
    source=f"common practice, no source; {_INTERVAL}",
    examples=(
        Example(
            {"test": {HEART_RATE: [105, 106, 95, 100]}, "reference": {HEART_RATE: [100] * 4}},
            75.0,
            "by hand: 5, 6, -5, 0; the edge counts as inside",
        ),
        APART,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    has_interval=True,
    version=3,
    level="compared",
)
def hr_within_5_bpm_pct(case: Case) -> Value:
    """Return the share of seconds within 5 bpm [%]."""
    compared = compare_heart_rates(case)
    return _give_share(compared, np.abs(compared.error) <= 5)  # noqa: PLR2004 - the metric's name


@metric(
    "heart_rate",
    title="Within 10 %",
    unit="%",
    definition="Share of the compared seconds in which heart rate is off by at most 10 % of the "
    "reference; a weak criterion at high heart rates",
    formula="100 mean(|test - reference| <= 0.1 reference)",
    better="higher",
    source=f"common practice, no source; {_INTERVAL}",
    examples=(
        Example(
            {
                "test": {HEART_RATE: [110, 111, 45, 44]},
                "reference": {HEART_RATE: [100, 100, 50, 50]},
            },
            50.0,
            "by hand: 10 %, 11 %, -10 %, -12 %",
        ),
        APART,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    has_interval=True,
    version=3,
)
def hr_within_10_pct_pct(case: Case) -> Value:
    """Return the share of seconds within 10 % of the reference [%]."""
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
    source=f"the form of ANSI/AAMI EC13 for heart-rate meters, from memory; {_INTERVAL}",
    examples=(
        Example(
            {
                "test": {HEART_RATE: [45, 46, 110, 111]},
                "reference": {HEART_RATE: [40, 40, 100, 100]},
            },
            50.0,
            "by hand: 5 (inside), 6 (limit 5), 10 (inside), 11 (limit 10)",
        ),
        APART,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    has_interval=True,
    version=3,
)
def hr_within_5_bpm_or_10_pct_pct(case: Case) -> Value:
    """Return the share of seconds within the greater of 5 bpm and 10 % [%]."""
    compared = compare_heart_rates(case)
    inside = agreement.mark_within_relative(compared.error, compared.reference, limit_pct=10.0)
    return _give_share(compared, inside | (np.abs(compared.error) <= 5))  # noqa: PLR2004


def _give_share(compared: Compared, inside: BoolArray) -> Value:
    """Return the share of marked seconds in percent."""
    if not compared.n:
        return compared.decline(NOTHING)
    share = float(np.mean(inside))
    found = compared.estimate_share(inside)
    ends = Interval(PERCENT * found.interval.low, PERCENT * found.interval.high)
    return compared.make_value(PERCENT * share, LongRun(ends, found.reason))
