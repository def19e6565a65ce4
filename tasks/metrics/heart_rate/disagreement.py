"""Two references of heart rate, such as two straps, that cannot both be right."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Finding, finding
from tasks.metrics.heart_rate.compared import compare_heart_rates
from tasks.metrics.heart_rate.reference import HEART_RATE

if TYPE_CHECKING:
    from tasks.workout.case import Case

_PERCENT: Final = 100.0
_FEWEST_S: Final = 60


@finding(
    "heart_rate_references_disagree",
    domain="heart_rate",
    title="References of heart rate disagree",
    unit="bpm",
    definition="A second reference of heart rate lies within heart_rate_bpm of the best one in "
    "less than agreed_pct of the seconds (both of the section consensus); the size is the median "
    "difference of the seconds in which they disagree, second minus best, and says nothing of "
    "which one is wrong",
    source="common practice, no source",
    against="heart_rate",
    needs=(HEART_RATE,),
)
def find_disagreeing_heart_rates(case: Case) -> list[Finding]:
    """Flag a reference of heart rate that contradicts the best one."""
    reference = case.reference
    if reference is None or reference.kind != "device" or reference.subject is None:
        return []
    if not case.test.device.is_reference_for("heart_rate"):
        return []
    compared = compare_heart_rates(case)
    if compared.n < _FEWEST_S:
        return []
    limits = case.settings.consensus
    apart = np.abs(compared.error) > limits.heart_rate_bpm
    agreed_pct = _PERCENT * (1 - float(apart.mean()))
    if agreed_pct >= limits.agreed_pct:
        return []
    note = (
        f"within {limits.heart_rate_bpm:g} bpm of {reference.name} in {agreed_pct:.0f} % of "
        f"{compared.n / 60:.0f} min; both are references: one is wrong"
    )
    seconds = case.workout.grid.seconds[compared.seconds[apart]]
    size = float(np.median(compared.error[apart]))
    return [Finding(float(seconds[0]), float(seconds[-1]) + 1, size, note)]
