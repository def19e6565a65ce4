"""How far apart two curves are as wholes: Hausdorff, discrete Frechet and dynamic time warping.

Curves are points ``(n_points, 2)`` in a plane, in order [m]. All three are exact. Memory is linear:
no table of all pairs is ever held, and cells that no best path can use are not visited.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from tasks.maths.arrays import BoolArray, FloatArray, IntArray

_DIMENSIONS: Final = 2
#: Points beside a first path among which a better one is looked for, to bound the best one.
_CORRIDOR: Final = 40


#: Diagonals after which the reachable part of a diagonal is looked for anew.
_TRIM_EVERY: Final = 16
#: How much more than a sum over all pairs its terms may give in another order, as a share.
_SUM_ROUNDING: Final = 1e-9
#: Marks an empty stretch of a diagonal.
_NOWHERE: Final = (1 << 40, -(1 << 40))


def compute_directed_hausdorff_m(curve: FloatArray, other: FloatArray) -> float:
    """Return the distance of the point of ``curve`` that is farthest from any point of ``other``.

    Parameters
    ----------
    curve, other
        Points, shapes ``(n, 2)`` and ``(m, 2)`` [m].

    Returns
    -------
    float
        Distance [m].

    Raises
    ------
    ValueError
        For empty curves.

    References
    ----------
    Rockafellar and Wets 1998, Variational Analysis, 4C. The order of the points does not matter.
    """
    from scipy.spatial import cKDTree  # noqa: PLC0415 - scipy is slow to import

    _require_points(curve, other)
    distances, _ = cKDTree(other).query(curve)
    return float(distances.max())


def compute_hausdorff_m(curve: FloatArray, other: FloatArray) -> float:
    """Return the greater of both directed Hausdorff distances [m].

    Parameters
    ----------
    curve, other
        Points, shapes ``(n, 2)`` and ``(m, 2)`` [m].

    Returns
    -------
    float
        Distance [m].
    """
    return max(
        compute_directed_hausdorff_m(curve, other), compute_directed_hausdorff_m(other, curve)
    )


def compute_frechet_m(curve: FloatArray, other: FloatArray) -> float:
    """Return the discrete Frechet distance: the shortest leash with which both can be walked [m].

    c(i, j) = max(d(i, j), min(c(i-1, j), c(i-1, j-1), c(i, j-1))). An upper bound of the continuous
    one that depends on the density of points: resample both curves alike first.

    Parameters
    ----------
    curve, other
        Points in order, shapes ``(n, 2)`` and ``(m, 2)`` [m].

    Returns
    -------
    float
        Distance [m].

    Raises
    ------
    ValueError
        For empty curves.

    References
    ----------
    Eiter and Mannila 1994, Computing discrete Frechet distance, TU Wien CD-TR 94/64.
    """
    _require_points(curve, other)
    # The leash is never shorter than these, never longer than that of the greedy walk.
    low = max(
        compute_hausdorff_m(curve, other),
        float(np.hypot(*(curve[0] - other[0]))),
        float(np.hypot(*(curve[-1] - other[-1]))),
    )
    walks = (_walk_greedily(curve, other), _walk_evenly(curve, other))
    high = min(float(_measure_walk(curve, other, walk).max()) for walk in walks)
    # Cells beyond the leash are on no best path. Short leashes are tried first: they leave few
    # cells, and are mostly enough. A little more than the leash lets rounding be.
    for leash in (low, 1.3 * low):
        if leash < high:
            limit = leash * leash * (1 + 1e-12)
            found = _sweep_leash(curve, other, limit)
            if found <= limit:
                return float(np.sqrt(found))
    if high <= low:
        return high
    return float(np.sqrt(_sweep_leash(curve, other, high * high * (1 + 1e-12))))


def compute_warping_sum_m(curve: FloatArray, other: FloatArray) -> float:
    """Return the dynamic-time-warping distance: the least sum of distances of a pairing [m].

    c(i, j) = d(i, j) + min(c(i-1, j), c(i-1, j-1), c(i, j-1)). The sum grows with the number of
    points and is no distance in metres.

    Parameters
    ----------
    curve, other
        Points in order, shapes ``(n, 2)`` and ``(m, 2)`` [m].

    Returns
    -------
    float
        Sum of distances [m].

    Raises
    ------
    ValueError
        For empty curves.

    References
    ----------
    Sakoe and Chiba 1978, IEEE Trans. ASSP 26:43 (steps of weight 1); cells are left out by an upper
    bound, as in Silva and Batista 2016, Speeding up all-pairwise DTW matrix calculation, SDM.
    """
    _require_points(curve, other)
    walks = (_walk_greedily(curve, other), _walk_evenly(curve, other))
    sums = [float(_measure_walk(curve, other, walk).sum()) for walk in walks]
    best = int(np.argmin(sums))
    if sums[best] == 0.0:
        return 0.0
    compiled = _load_compiled()
    if compiled is not None:
        return compiled(curve, other, sums[best] * (1 + _SUM_ROUNDING))
    return _sum_by_diagonals(curve, other, walks[best])


@cache
def _load_compiled() -> Callable[[FloatArray, FloatArray, float], float] | None:
    """Return the recurrence in C, which leaves out cells beyond a bound of the sum.

    None where its library has no wheel (Linux on ARM) and is not installed.
    """
    try:
        from dtaidistance import dtw, dtw_ndim  # noqa: PLC0415 - few calls need it
    except ImportError:
        return None
    if not dtw.try_import_c():
        return None

    def compute(curve: FloatArray, other: FloatArray, bound: float) -> float:
        points = (np.ascontiguousarray(one, dtype=np.float64) for one in (curve, other))
        return float(dtw_ndim.distance_fast(*points, inner_dist="euclidean", max_dist=bound))

    return compute


def _sum_by_diagonals(curve: FloatArray, other: FloatArray, walk: IntArray) -> float:
    """Return the warping sum by numpy, one diagonal at a time; ``walk`` is a first pairing."""
    from scipy.spatial import cKDTree  # noqa: PLC0415 - scipy is slow to import

    # What the points behind a cell cost at least: each is paired with one of the other curve.
    rest = _sum_rest(cKDTree(other).query(curve)[0])
    rest_other = _sum_rest(cKDTree(curve).query(other)[0])
    bound, leaving = _sweep_sum(curve, other, rest, rest_other, bound=np.inf, walk=walk)
    if bound <= leaving:
        # No path that leaves the corridor about the walk can be better.
        return bound
    # A little more than the bound lets rounding be.
    total, _ = _sweep_sum(curve, other, rest, rest_other, bound=bound * (1 + 1e-12), walk=None)
    return total


def compute_warping_mean_m(curve: FloatArray, other: FloatArray) -> float:
    """Return the warping sum per point of the curve with more points [m].

    Curves of equal spacing make it a mean distance; of a pairing that stays behind on one curve the
    other one's points count.

    Parameters
    ----------
    curve, other
        Points in order, shapes ``(n, 2)`` and ``(m, 2)`` [m].

    Returns
    -------
    float
        Mean distance [m].
    """
    return compute_warping_sum_m(curve, other) / float(max(curve.shape[0], other.shape[0]))


def _require_points(curve: FloatArray, other: FloatArray) -> None:
    for one in (curve, other):
        if one.ndim != _DIMENSIONS or one.shape[1] != _DIMENSIONS or not one.shape[0]:
            raise ValueError(f"a curve is points of two coordinates, found shape {one.shape}")


def _sum_rest(nearest: FloatArray) -> FloatArray:
    """Return for each point what the points behind it cost at least, ``(n_points,)``."""
    behind = np.cumsum(nearest[::-1])[::-1]
    rest: FloatArray = np.append(behind[1:], 0.0)
    return rest


def _walk_greedily(curve: FloatArray, other: FloatArray) -> IntArray:
    """Return pairs ``(n_pairs, 2)`` of the walk that always takes the step to the nearest one."""
    ax, ay = curve[:, 0].tolist(), curve[:, 1].tolist()
    bx, by = other[:, 0].tolist(), other[:, 1].tolist()
    n, m = len(ax) - 1, len(bx) - 1
    i = j = 0
    pairs = [(0, 0)]
    while i < n and j < m:
        both = (ax[i + 1] - bx[j + 1]) ** 2 + (ay[i + 1] - by[j + 1]) ** 2
        down = (ax[i + 1] - bx[j]) ** 2 + (ay[i + 1] - by[j]) ** 2
        right = (ax[i] - bx[j + 1]) ** 2 + (ay[i] - by[j + 1]) ** 2
        if both <= down and both <= right:
            i, j = i + 1, j + 1
        elif down <= right:
            i += 1
        else:
            j += 1
        pairs.append((i, j))
    pairs += [(k, m) for k in range(i + 1, n + 1)]
    pairs += [(n, k) for k in range(j + 1, m + 1)]
    return np.array(pairs, dtype=np.int64)


def _walk_evenly(curve: FloatArray, other: FloatArray) -> IntArray:
    """Return the pairs ``(n_pairs, 2)`` of the walk that keeps the same share of both curves."""
    n, m = curve.shape[0], other.shape[0]
    share = np.arange(max(n, m)) / max(n - 1, m - 1, 1)
    pairs = np.column_stack([np.round(share * (n - 1)), np.round(share * (m - 1))])
    return pairs.astype(np.int64)


def _measure_walk(curve: FloatArray, other: FloatArray, walk: IntArray) -> FloatArray:
    apart = curve[walk[:, 0]] - other[walk[:, 1]]
    distances: FloatArray = np.hypot(apart[:, 0], apart[:, 1])
    return distances


class _Diagonals:
    """Squared distances of the cells of a diagonal i + j = k, into room that is used again."""

    def __init__(self, curve: FloatArray, other: FloatArray) -> None:
        self.ax, self.ay = np.ascontiguousarray(curve[:, 0]), np.ascontiguousarray(curve[:, 1])
        # Reversed, so that a diagonal is a plain slice of both.
        self.bx = np.ascontiguousarray(other[::-1, 0])
        self.by = np.ascontiguousarray(other[::-1, 1])
        self.n, self.m = self.ax.size, self.bx.size
        self._room, self._scratch = np.empty(self.n), np.empty(self.n)

    def measure(self, k: int, first: int, last: int) -> tuple[FloatArray, FloatArray]:
        """Return squared distances of the cells ``first`` to ``last`` and scratch of that size."""
        size = last - first + 1
        d, t = self._room[:size], self._scratch[:size]
        at = self.m - 1 - (k - first)
        np.subtract(self.ax[first : last + 1], self.bx[at : at + size], out=d)
        np.multiply(d, d, out=d)
        np.subtract(self.ay[first : last + 1], self.by[at : at + size], out=t)
        np.multiply(t, t, out=t)
        np.add(d, t, out=d)
        return d, t


def _take_least(
    here: FloatArray, before: FloatArray, first: int, last: int, out: FloatArray
) -> None:
    """Put the least of the three cells that lead to each cell of a diagonal.

    Arrays hold cell i at i + 1: ``here`` is one diagonal back, ``before`` two.
    """
    np.minimum(here[first + 1 : last + 2], here[first : last + 1], out=out)
    np.minimum(out, before[first : last + 1], out=out)


def _put_walls(now: FloatArray, first: int, last: int) -> None:
    """Close the cells beside a stretch: the next two diagonals read one cell further."""
    now[first] = np.inf
    now[last + 2] = np.inf


def _sweep_leash(curve: FloatArray, other: FloatArray, limit: float) -> float:
    """Return the squared leash, going over the diagonals between the cells within ``limit``.

    Returns more than the limit, or infinity, where no leash of that length is enough.
    """
    cells = _Diagonals(curve, other)
    n, m = cells.n, cells.m
    before, here, now = (np.full(n + 2, np.inf) for _ in range(3))
    d, _ = cells.measure(0, 0, 0)
    here[1] = d[0]
    span_before, span = _NOWHERE, (0, 0)
    for k in range(1, n + m - 1):
        first = max(min(span[0], span_before[0] + 1), k - m + 1, 0)
        last = min(max(span[1], span_before[1]) + 1, k, n - 1)
        if last < first:
            return float("inf")
        d, t = cells.measure(k, first, last)
        _take_least(here, before, first, last, t)
        np.maximum(d, t, out=now[first + 1 : last + 2])
        _put_walls(now, first, last)
        span_before, span = span, (first, last)
        if k % _TRIM_EVERY == 0:
            # Both diagonals that the next one can be reached from.
            span_before = _trim(here, span_before, limit)
            span = _trim(now, span, limit)
        before, here, now = here, now, before
    return float(here[n])


def _sweep_sum(
    curve: FloatArray,
    other: FloatArray,
    rest: FloatArray,
    rest_other: FloatArray,
    *,
    bound: float,
    walk: IntArray | None,
) -> tuple[float, float]:
    """Return the least sum, and what a path that leaves the corridor costs at least.

    With a ``walk`` only a corridor about it is looked at, without one all cells from which
    ``bound`` can be kept.
    """
    cells = _Diagonals(curve, other)
    n, m = cells.n, cells.m
    before, here, now = (np.full(n + 2, np.inf) for _ in range(3))
    d, _ = cells.measure(0, 0, 0)
    here[1] = np.sqrt(d[0])
    rest_other = np.ascontiguousarray(rest_other[::-1])
    span_before, span = _NOWHERE, (0, 0)
    leaving = float("inf")
    middle = None
    if walk is not None:
        middle = np.interp(np.arange(n + m - 1), walk.sum(axis=1), walk[:, 0]).astype(np.int64)
    for k in range(1, n + m - 1):
        first = max(min(span[0], span_before[0] + 1), k - m + 1, 0)
        last = min(max(span[1], span_before[1]) + 1, k, n - 1)
        if middle is not None:
            first = max(first, int(middle[k]) - _CORRIDOR)
            last = min(last, int(middle[k]) + _CORRIDOR)
        d, t = cells.measure(k, first, last)
        np.sqrt(d, out=d)
        _take_least(here, before, first, last, t)
        np.add(d, t, out=now[first + 1 : last + 2])
        _put_walls(now, first, last)
        if middle is not None:
            # Only cells at the edge of the corridor lead out of it.
            if first > max(k - m + 1, 0):
                behind = max(rest[first], rest_other[m - 1 - k + first])
                leaving = min(leaving, float(now[first + 1] + behind))
            if last < min(k, n - 1):
                behind = max(rest[last], rest_other[m - 1 - k + last])
                leaving = min(leaving, float(now[last + 1] + behind))
        span_before, span = span, (first, last)
        if k % _TRIM_EVERY == 0 and middle is None:
            span_before = _trim_sum(here, span_before, k - 1, rest, rest_other, bound)
            span = _trim_sum(now, span, k, rest, rest_other, bound)
        before, here, now = here, now, before
    return float(here[n]), leaving


def _trim_sum(
    costs: FloatArray,
    span: tuple[int, int],
    k: int,
    rest: FloatArray,
    rest_other: FloatArray,
    bound: float,
) -> tuple[int, int]:
    """Narrow a span to the cells from which the end can be reached within the bound."""
    first, last = span
    if last < first:
        return _NOWHERE
    at = rest_other.size - 1 - (k - first)
    behind = np.maximum(rest[first : last + 1], rest_other[at : at + last - first + 1])
    return _find_open(costs[first + 1 : last + 2] + behind <= bound, first)


def _trim(costs: FloatArray, span: tuple[int, int], bound: float) -> tuple[int, int]:
    """Narrow a span of a diagonal to its first and last cell within the bound."""
    first, last = span
    if last < first:
        return _NOWHERE
    return _find_open(costs[first + 1 : last + 2] <= bound, first)


def _find_open(is_open: BoolArray, first: int) -> tuple[int, int]:
    at = int(np.argmax(is_open))
    if not is_open[at]:
        return _NOWHERE
    return first + at, first + is_open.size - 1 - int(np.argmax(is_open[::-1]))
