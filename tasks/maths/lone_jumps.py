"""Single values that leave their neighbours and come back, as a damaged cell does."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tasks.maths.geodesy import compute_distances_m

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]

#: Neighbours of a jump agree to this part of it.
_PART: float = 0.5


def find_lone_jumps(
    seconds: Floats, values: Floats, *, least: float, reach_s: float
) -> NDArray[np.int64]:
    """Return the indices of single values at least `least` away from both neighbours.

    The neighbours lie within `reach_s` seconds and agree with each other to half of `least`. The
    first and the last value are compared with the two beside them.

    Parameters
    ----------
    seconds
        Times, rising, shape ``(n,)`` [s].
    values
        Values, shape ``(n,)``; missing ones (NaN) are passed over.
    least
        Least distance from both neighbours, in the unit of the values.
    reach_s
        How far away a neighbour may be [s].

    Returns
    -------
    int array
        Indices into ``values``.
    """
    known = np.flatnonzero(np.isfinite(values) & np.isfinite(seconds))
    if known.size < 3:  # noqa: PLR2004 - a value and two neighbours
        return known[:0]
    times, numbers = seconds[known], values[known]
    before, after = _list_neighbours(known.size)
    is_near = (np.abs(times - times[before]) <= reach_s) & (np.abs(times[after] - times) <= reach_s)
    gap = np.minimum(np.abs(numbers - numbers[before]), np.abs(numbers - numbers[after]))
    agree = np.abs(numbers[before] - numbers[after]) <= _PART * least
    return known[is_near & agree & (gap >= least)]


def find_lone_places(
    seconds: Floats,
    latitude_deg: Floats,
    longitude_deg: Floats,
    *,
    least_mps: float,
    reach_s: float,
) -> NDArray[np.int64]:
    """Return the indices of single fixes that only `least_mps` or more would reach and leave.

    Between its neighbours less than half of that is needed.

    Parameters
    ----------
    seconds
        Times, rising, shape ``(n,)`` [s].
    latitude_deg, longitude_deg
        Fixes, shape ``(n,)`` [degrees]; missing ones are passed over.
    least_mps
        Least speed to and from the fix [m/s].
    reach_s
        How far away a neighbour may be [s].

    Returns
    -------
    int array
        Indices of the fixes.
    """
    known = np.flatnonzero(np.isfinite(latitude_deg) & np.isfinite(longitude_deg))
    if known.size < 3:  # noqa: PLR2004 - a fix and two neighbours
        return known[:0]
    times, latitude, longitude = seconds[known], latitude_deg[known], longitude_deg[known]
    before, after = _list_neighbours(known.size)

    def measure(one: NDArray[np.int64], other: NDArray[np.int64]) -> tuple[Floats, Floats]:
        apart_m = compute_distances_m(
            latitude[one], longitude[one], latitude[other], longitude[other]
        )
        passed_s = np.abs(times[one] - times[other])
        with np.errstate(divide="ignore", invalid="ignore"):
            return apart_m / passed_s, passed_s

    here = np.arange(known.size)
    speed_before, passed_before = measure(here, before)
    speed_after, passed_after = measure(here, after)
    speed_beside, _ = measure(before, after)
    is_near = (passed_before <= reach_s) & (passed_after <= reach_s)
    is_far = (speed_before >= least_mps) & (speed_after >= least_mps)
    return known[is_near & is_far & (speed_beside < _PART * least_mps)]


def find_lone_counts(
    seconds: Floats, counts: Floats, *, least: float, reach_s: float
) -> NDArray[np.int64]:
    """Return the indices of single values of a rising count that lie outside their neighbours.

    By at least `least`, while the neighbours themselves rise.

    Parameters
    ----------
    seconds
        Times, rising, shape ``(n,)`` [s].
    counts
        Values of the count, shape ``(n,)``; missing ones are passed over.
    least
        Least distance from both neighbours, in the unit of the count.
    reach_s
        How far away a neighbour may be [s].

    Returns
    -------
    int array
        Indices into ``counts``.
    """
    known = np.flatnonzero(np.isfinite(counts) & np.isfinite(seconds))
    if known.size < 3:  # noqa: PLR2004 - a value and two neighbours
        return known[:0]
    times, numbers = seconds[known], counts[known]
    before, after = numbers[:-2], numbers[2:]
    outside = np.maximum(before - numbers[1:-1], numbers[1:-1] - after)
    is_near = (times[2:] - times[:-2]) <= 2.0 * reach_s
    return known[1:-1][is_near & (after >= before) & (outside >= least)]


def _list_neighbours(n: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the two neighbours of each of `n` values; at the ends the next two."""
    here = np.arange(n)
    before = np.where(here == 0, 2, here - 1)
    after = np.where(here == n - 1, n - 3, here + 1)
    return before, after
