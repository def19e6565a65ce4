"""Automatic pauses that an export shows only as a gap in which nothing moved."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tasks.maths.geodesy import compute_distances_m

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray, FloatArray

#: A gap is longer than this [s] and than this many usual intervals of the device.
_LEAST_GAP_S = 10.0
_USUAL_INTERVALS = 3.0
#: A counter stands still if it grows by no more than this [m], and no faster than this [m/s]; fixes
#: wander by more.
_COUNTER_M, _COUNTER_MPS = 10.0, 0.3
_PLACE_M = 15.0


def mark_pauses(
    seconds: FloatArray,
    distance_m: FloatArray,
    latitude_deg: FloatArray,
    longitude_deg: FloatArray,
) -> BoolArray:
    """Mark the gaps between samples in which the device stood still: automatic pauses.

    Parameters
    ----------
    seconds
        Times of the samples ``(n,)``, rising [s].
    distance_m, latitude_deg, longitude_deg
        Counter and place at each sample ``(n,)``, NaN where missing.

    Returns
    -------
    bool array ``(n - 1,)``
        True for gaps of more than 10 s and of three usual intervals over which the counter grew by
        at most 10 m and 0.3 m/s or, where there is no counter, over which the place moved by at
        most 15 m. With neither, a gap may be anything and is not marked. Common practice, no
        source.
    """
    if seconds.size <= 1:
        return np.zeros(0, dtype=np.bool_)
    lengths_s = np.diff(seconds)
    usual_s = float(np.median(lengths_s))
    is_long = lengths_s > max(_LEAST_GAP_S, _USUAL_INTERVALS * usual_s)
    if not is_long.any():
        return np.zeros(lengths_s.size, dtype=np.bool_)
    grown_m = _differ_known(distance_m)
    moved_m = np.full(lengths_s.size, np.nan)
    # The place is asked only where no counter tells.
    at = np.flatnonzero(is_long & ~np.isfinite(grown_m))
    if at.size:
        moved_m[at] = compute_distances_m(
            latitude_deg[at], longitude_deg[at], latitude_deg[at + 1], longitude_deg[at + 1]
        )
    by_counter = np.abs(grown_m) <= np.minimum(_COUNTER_M, _COUNTER_MPS * lengths_s)
    by_place = moved_m <= _PLACE_M
    marked: BoolArray = is_long & (by_counter | by_place)
    return marked


def _differ_known(values: FloatArray) -> FloatArray:
    """Return the growth over each step from the last known value before to the first after it."""
    known = np.flatnonzero(np.isfinite(values))
    if not known.size:
        return np.full(values.size - 1, np.nan)
    places = np.arange(values.size - 1)
    before = np.searchsorted(known, places, side="right") - 1
    after = np.searchsorted(known, places + 1, side="left")
    inside = (before >= 0) & (after < known.size)
    grown = np.full(values.size - 1, np.nan)
    grown[inside] = values[known[after[inside]]] - values[known[before[inside]]]
    return grown
