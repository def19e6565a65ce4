"""The scale on which values are tested: differences, or ratios where values are skewed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tasks.core.registers import METRICS

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray
    from tasks.verdicts.asked import Scale

#: Metrics that are 0 or 100 in a workout; their sign flips are McNemar's exact test.
_FAILED = "_failed_pct"


def find_scale(metric: str) -> Scale:
    """Return what is tested: errors, times and rates are skewed, so that their ratio is."""
    if metric.endswith(_FAILED) or METRICS[metric].better not in {"lower", "zero"}:
        return "difference"
    return "ratio"


def transform(values: FloatArray, scale: Scale, margin: float) -> FloatArray:
    """Return values ``(n,)`` on the scale: as they are, or log(value + margin).

    The margin keeps zeros in, and differences that do not matter small.
    """
    return values if scale == "difference" else np.log(np.maximum(values, 0.0) + margin)


def is_failure(metric: str) -> bool:
    """Say whether a metric tells only whether a workout failed."""
    return metric.endswith(_FAILED)
