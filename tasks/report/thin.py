"""Thins long series for drawing; what is measured never passes through here.

Time series keep the lowest and the highest value of every bucket of time, in the order in which
they came, so that no peak is lost at any width. Tracks keep every fix that lies off the straight
line between its kept neighbours.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]


def thin_peaks(seconds: Floats, values: Floats, *, most: int, gap_s: float) -> Indices:
    """Return the indices to draw of a series `(n,)` sorted by time; at most about `most`.

    Of each of `most // 2` equal buckets the lowest and the highest value are kept, and the first
    and the last value of the whole; missing values are left out, except one in each gap longer
    than `gap_s` [s], where the line must break.
    """
    known = np.flatnonzero(np.isfinite(values))
    if len(known) == 0:
        return known
    if len(known) <= most:
        kept = known
    else:
        kept = _keep_extremes(seconds, values, known, n_buckets=max(1, most // 2))
    breaks = _find_breaks(seconds, values, known, gap_s=gap_s)
    return np.unique(np.concatenate([kept, breaks]))


def _keep_extremes(seconds: Floats, values: Floats, known: Indices, *, n_buckets: int) -> Indices:
    first, last = seconds[known[0]], seconds[known[-1]]
    span = max(last - first, 1e-9)
    buckets = np.minimum(((seconds[known] - first) / span * n_buckets).astype(int), n_buckets - 1)
    order = np.lexsort((values[known], buckets))
    starts = np.flatnonzero(np.r_[True, np.diff(buckets) > 0])
    ends = np.r_[starts[1:], len(known)] - 1
    # Sorted by bucket, then value: each bucket begins with its lowest, ends with its highest.
    chosen = np.concatenate([[0, len(known) - 1], order[starts], order[ends]])
    kept: Indices = known[np.unique(chosen)]
    return kept


def _find_breaks(seconds: Floats, values: Floats, known: Indices, *, gap_s: float) -> Indices:
    """Return one missing sample for each gap, where there is one."""
    wide = np.flatnonzero(np.diff(seconds[known]) > gap_s)
    missing = [known[index] + 1 for index in wide if known[index] + 1 < known[index + 1]]
    found = np.array(missing, dtype=np.int64)
    return found[~np.isfinite(values[found])] if len(found) else found


def thin_track(east_m: Floats, north_m: Floats, *, tolerance_m: float) -> Indices:
    """Return the indices of the fixes to draw, `(n,)`: none left out lies farther off than that.

    *Source*: Douglas & Peucker 1973, Cartographica 10, 112-122; distances are to the segment.
    Missing fixes split the track; the first missing one of each gap is kept, as NaN.
    """
    known = np.isfinite(east_m) & np.isfinite(north_m)
    if not known.any():
        return np.empty(0, dtype=np.int64)
    edges = np.flatnonzero(np.diff(np.r_[False, known, False].astype(int)))
    kept: list[int] = []
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        kept += _keep_corners(east_m, north_m, int(start), int(end) - 1, tolerance_m=tolerance_m)
        if end < len(known):
            kept.append(int(end))
    return np.array(kept, dtype=np.int64)


def _keep_corners(
    east_m: Floats, north_m: Floats, first: int, last: int, *, tolerance_m: float
) -> list[int]:
    kept = {first, last}
    waiting = [(first, last)]
    while waiting:
        low, high = waiting.pop()
        if high - low < 2:  # noqa: PLR2004 - nothing lies between neighbours
            continue
        away = _measure_off(east_m[low : high + 1], north_m[low : high + 1])
        farthest = int(np.argmax(away))
        if away[farthest] > tolerance_m:
            middle = low + farthest
            kept.add(middle)
            waiting += [(low, middle), (middle, high)]
    return sorted(kept)


def _measure_off(east_m: Floats, north_m: Floats) -> Floats:
    """Return the distances of fixes `(n,)` from the segment between the first and the last [m]."""
    across, up = east_m[-1] - east_m[0], north_m[-1] - north_m[0]
    east, north = east_m - east_m[0], north_m - north_m[0]
    squared = across**2 + up**2
    if squared == 0.0:
        return np.asarray(np.hypot(east, north))
    share = np.clip((east * across + north * up) / squared, 0.0, 1.0)
    return np.asarray(np.hypot(east - share * across, north - share * up))
