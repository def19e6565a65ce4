"""How many independent seconds the compared ones are worth, and the blocks for intervals."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tasks.core.registers import Example, Value, metric
from tasks.metrics.heart_rate.compared import NOTHING, compare_heart_rates
from tasks.metrics.heart_rate.examples import APART
from tasks.metrics.heart_rate.reference import HEART_RATE

if TYPE_CHECKING:
    from tasks.workout.case import Case


@metric(
    "heart_rate",
    title="Effective number of seconds",
    unit="1",
    definition="Number of independent seconds with the same information about the mean error, "
    "since each second repeats most of the one before; below 48 no interval is given, as none "
    "would contain the truth as often as it says",
    formula="n^2 / sum over all pairs of seconds of rho^(seconds between), about "
    "n (1 - rho) / (1 + rho); rho = r + (1 + 4 r) / n, r the autocorrelation r_1 of the error at "
    "1 s, or r_2 / r_1 if that is larger and r_1 above 0.5 (whole numbers lower r_1 alone)",
    better="none",
    source="Bayley and Hammersley 1946, JRSS Supplement 8:184; r after the "
    "NIST/SEMATECH e-Handbook, section 1.3.5.12; its bias after Marriott and Pope 1954, Biometrika "
    "41:390",
    examples=(
        Example(
            {
                "test": {HEART_RATE: [100, 100, 102, 102] * 2},
                "reference": {HEART_RATE: [101] * 8},
            },
            64 / (8 + 2 * (35 / 16 + 150 / 256 + 625 / 4096 + 0.0381 + 0.0089 + 0.0019 + 0.0003)),
            "by hand: errors -1 -1 1 1 twice, r = (1 - 1 + 1 - 1 + 1 - 1 + 1) / 8 = 1/8, "
            "rho = 1/8 + (3/2) / 8 = 5/16; 64 / (8 + 2 (7 rho + 6 rho^2 + ... + rho^7))",
            0.001,
        ),
        Example(
            {"test": {HEART_RATE: [100, 101]}, "reference": {HEART_RATE: [100, 100]}},
            2.0,
            "too few for an autocorrelation: as many as there are",
        ),
        APART,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_effective_n(case: Case) -> Value:
    """Return the effective number of compared seconds."""
    compared = compare_heart_rates(case)
    if not compared.n:
        return compared.decline(NOTHING)
    if not np.isfinite(compared.effective_n):
        return compared.decline("errors that do not vary have no autocorrelation")
    return compared.make_value(compared.effective_n)


@metric(
    "heart_rate",
    title="Block length",
    unit="s",
    definition="Time between errors that are practically independent of each other: six times "
    "their memory; errors that are closer resemble each other",
    formula="6 (1 + rho) / (1 - rho), at least block_s, at most a sixth of the compared time",
    better="none",
    source="own choice, checked by simulation",
    examples=(
        Example(
            {
                "test": {HEART_RATE: [100, 100, 102, 102] * 2},
                "reference": {HEART_RATE: [101] * 8},
            },
            150.0,
            "by hand: 6 (21/16) / (11/16) = 11.5 is shorter than the least, 150 s",
        ),
        APART,
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_block_s(case: Case) -> Value:
    """Return the block length of the intervals [s]."""
    compared = compare_heart_rates(case)
    if not compared.n:
        return compared.decline(NOTHING)
    return compared.make_value(float(compared.block))
