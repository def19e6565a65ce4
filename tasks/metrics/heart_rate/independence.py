"""How many independent seconds the compared ones are worth, and the blocks for intervals."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Value, metric
from tasks.maths.autocorrelation import choose_block_length
from tasks.metrics.heart_rate.compared import compare_heart_rates
from tasks.metrics.heart_rate.reference import HEART_RATE

if TYPE_CHECKING:
    from tasks.case import Case

_NOTHING: Final = "there is no second in which both have a heart rate"
_ALONE: Final = Example(
    {"test": {HEART_RATE: [120, None]}, "reference": {HEART_RATE: [None, 120]}},
    None,
    "no second in common",
)


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


@metric(
    "heart_rate",
    title="Block length",
    unit="s",
    definition="Length of the blocks from which the interval of the mean error is made; an "
    "interval needs at least four such blocks",
    formula="4 (1 + rho) / (1 - rho), at least block_s, at most a sixth of the compared time",
    better="none",
    source="own choice, checked by simulation; common practice is 3 to 5 times the memory",
    examples=(
        Example(
            {
                "test": {HEART_RATE: [100, 100, 102, 102] * 2},
                "reference": {HEART_RATE: [101] * 8},
            },
            150.0,
            "by hand: 4 (9/8) / (7/8) = 5.1 is shorter than the least, 150 s",
        ),
        _ALONE,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_block_s(case: Case) -> Value:
    """Give the block length of the interval of the mean error [s]."""
    compared = compare_heart_rates(case)
    if not compared.n:
        return compared.decline(_NOTHING)
    length = choose_block_length(
        compared.place(compared.error).size, compared.lag_one, shortest=compared.shortest_block
    )
    return compared.give(float(length))
