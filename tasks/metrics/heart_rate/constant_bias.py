"""A heart rate that is off by one constant from beginning to end."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.maths.smoothing import compute_running_mean
from tasks.metrics.heart_rate.compared import get_series, name_comparison

if TYPE_CHECKING:
    from tasks.workout.case import Case

#: Shortest time that is a whole workout [s], and share of it in which the smoothed error is more
#: than half of its median: what begins late or ends early is no constant.
_LEAST_S: Final = 300
_SHARE: Final = 0.9


def find_constant_bias(case: Case) -> float | None:
    """Return the median error where it is beyond biased_bpm throughout [bpm], else None."""
    key = f"heart_rate:constant-bias:{name_comparison(case)}"
    return case.once_per_workout(key, lambda: _find_constant_bias(case))


def _find_constant_bias(case: Case) -> float | None:
    limits = case.settings.heart_rate
    error = get_series(case).error
    known = error[np.isfinite(error)]
    if known.size < _LEAST_S:
        return None
    offset = float(np.median(known))
    smooth = compute_running_mean(error, width=round(limits.biased_window_s))
    smooth = smooth[np.isfinite(smooth)] * np.sign(offset)
    is_constant = float(np.mean(smooth > abs(offset) / 2)) >= _SHARE
    return offset if abs(offset) > limits.biased_bpm and is_constant else None
