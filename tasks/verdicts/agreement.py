"""Between which limits a device's seconds differ from the reference's, across workouts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

from tasks.core.registers import METRICS
from tasks.maths.workout_limits import FEWEST_FOR_INTERVALS, compute_limits_from_summaries
from tasks.verdicts.asked import Measure
from tasks.verdicts.levels import keep, name_references
from tasks.verdicts.numbers import FEWEST_WORKOUTS, PARTS_OF_LIMITS

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from tasks.verdicts.numbers import ByReference, Numbers

#: Two workouts cannot tell how much workouts differ.
_FEWEST_FOR_LIMITS: Final = 3
_NOTE: Final = (
    "repeated measures: the workouts' biases scatter, and seconds about them; from bias, SD and "
    "effective number of each workout, as if differences scattered normally, where those of "
    "wearables have longer tails"
)


class Parts(NamedTuple):
    """What one workout gives: bias, SD, effective number of seconds, and the reference."""

    bias: float
    sd: float
    worth: float
    reference: str | None


def find_limits(numbers: Numbers, *, only: Collection[str] | None = None) -> list[dict[str, Any]]:
    """Return the rows of `limits`, without their run, of the heart rate of every device.

    The stored figures of each workout are enough: no second is read again.
    """
    rows = []
    bias_metric = PARTS_OF_LIMITS[0]
    for device_id in sorted(numbers.roles):
        if only is not None and device_id not in only:
            continue
        columns = [
            numbers.values.get((device_id, Measure(metric)), {}) for metric in PARTS_OF_LIMITS
        ]
        found = {one: _choose([column.get(one, {}) for column in columns]) for one in columns[0]}
        for activity, there in numbers.split(found):
            kept = [parts for parts in there.values() if parts is not None]
            if len(kept) < FEWEST_WORKOUTS:
                continue
            rows.append(
                {
                    "device_id": device_id,
                    "activity": activity,
                    "metric": bias_metric,
                    "n_workouts": len(kept),
                    "left_out": len(there) - len(kept),
                    "unit": METRICS[bias_metric].unit if bias_metric in METRICS else None,
                    **_compute(kept),
                }
            )
    return rows


def _choose(columns: Sequence[ByReference]) -> Parts | None:
    """Return all three figures against the best reference that has them."""
    for reference in columns[0]:
        bias, sd, worth = (column.get(reference) for column in columns)
        if bias is not None and sd is not None and worth is not None:
            return Parts(bias, sd, worth, reference)
    return None


def _compute(kept: Sequence[Parts]) -> Mapping[str, Any]:
    biases, sds, worth = (
        np.array(column, dtype=np.float64)
        for column in zip(*((one.bias, one.sd, one.worth) for one in kept), strict=True)
    )
    held = name_references(one.reference for one in kept)
    common = {
        "effective_n": float(worth.sum()),
        "bias": float(biases.mean()),
        "note": "; ".join(part for part in (_NOTE, held) if part),
    }
    if len(kept) < _FEWEST_FOR_LIMITS:
        why = f"{len(kept)} workouts: limits take {_FEWEST_FOR_LIMITS}"
        return {**dict.fromkeys(_FIGURES), **common, "no_interval": why}
    limits = compute_limits_from_summaries(biases, sds, worth)
    within = float(np.mean(np.square(sds)))
    figures = (
        float(np.std(biases, ddof=1)),
        float(np.sqrt(within)),
        limits.low,
        limits.low_interval.low,
        limits.low_interval.high,
        limits.high,
        limits.high_interval.low,
        limits.high_interval.high,
    )
    named = dict(zip(_FIGURES, map(keep, figures), strict=True))
    is_enough = len(kept) >= FEWEST_FOR_INTERVALS
    few = f"{len(kept)} workouts: an interval of limits takes {FEWEST_FOR_INTERVALS}"
    return {**named, **common, "no_interval": None if is_enough else few}


_FIGURES: Final = (
    "between_sd",
    "within_sd",
    "limit_low",
    "limit_low_ci_low",
    "limit_low_ci_high",
    "limit_high",
    "limit_high_ci_low",
    "limit_high_ci_high",
)
