"""Parts of a workout that heart rate is judged in: intensity bands, directions, sure reference."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import segmenter
from tasks.maths.smoothing import compute_running_mean, compute_running_slope
from tasks.metrics.heart_rate.compared import get_series
from tasks.metrics.heart_rate.reference import get_reference_rate
from tasks.workout.case import Segment

if TYPE_CHECKING:
    from tasks.workout.case import Case

_PERCENT: Final = 100.0
#: The maximum of a session is this quantile of the reference: single wrong beats are above it.
_ROBUST_MAXIMUM: Final = 0.99
_SMOOTH_S: Final = 5


@segmenter("heart_rate")
def intensity_bands(case: Case) -> list[Segment]:
    """Cut by the reference's heart rate, in percent of its maximum.

    The maximum is the configured one, else the 99th percentile of the reference in this workout.
    Bands without a second are left out.
    """
    reference = get_series(case).reference
    known = np.isfinite(reference)
    if not known.any():
        return []
    limits = case.settings.heart_rate
    maximum = limits.max_bpm or float(np.quantile(reference[known], _ROBUST_MAXIMUM))
    edges = sorted(limits.band_edges_pct)
    if not edges:
        return []
    names = [
        f"band:below-{edges[0]:g}",
        *(f"band:{low:g}-{high:g}" for low, high in itertools.pairwise(edges)),
        f"band:above-{edges[-1]:g}",
    ]
    share = np.where(known, reference, 0.0) / maximum * _PERCENT
    which = np.searchsorted(np.array(edges), share, side="right")
    bands = [
        Segment(name, case.segment.mask & known & (which == number))
        for number, name in enumerate(names)
    ]
    return [band for band in bands if band.mask.any()]


@segmenter("heart_rate")
def directions(case: Case) -> list[Segment]:
    """Cut into rising, steady and falling by the slope of the reference, smoothed over 5 s."""
    limits = case.settings.heart_rate
    smooth = compute_running_mean(get_series(case).reference, width=_SMOOTH_S)
    slope = compute_running_slope(smooth, width=round(limits.direction_window_s))
    known = np.isfinite(slope)
    slope = np.where(known, slope, 0.0)
    steep = limits.direction_slope_bpm_per_s
    parts = {
        "rising": slope > steep,
        "steady": np.abs(slope) <= steep,
        "falling": slope < -steep,
    }
    found = [Segment(name, case.segment.mask & known & mask) for name, mask in parts.items()]
    return [part for part in found if part.mask.any()]


@segmenter("heart_rate")
def reference_sure(case: Case) -> list[Segment]:
    """Cut out the seconds in which a second reference disagrees; none without a second one."""
    rate = get_reference_rate(case)
    if rate is None or rate.second is None:
        return []
    return [Segment("reference_sure", case.segment.mask & ~rate.doubtful)]
