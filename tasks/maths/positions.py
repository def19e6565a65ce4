"""Errors of positions in a plane, jumps, fixes that stand still, and the middle of several."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.maths.arrays import NAN, require_same_shape

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray

#: Radius that holds half of a circular normal distribution, and 95 % of it, in SDs of one axis.
CEP50_PER_SD: Final = 1.1774
CEP95_PER_SD: Final = 2.4477
_STEPS: Final = 40
_CLOSE_M: Final = 1e-4
#: Ratio of distance and SD beyond which the next term of the series is below rounding.
_FAR: Final = 1e4


@dataclass(frozen=True, slots=True)
class Jump:
    """A step that nobody can have moved.

    ``before`` and ``after`` are the fixes on both sides; where the track came back, ``after`` is
    the first fix back and those in between stood elsewhere. ``size_m`` is the length of the step.
    """

    before: int
    after: int
    size_m: float
    returned: bool


def compute_weighted_quantile(values: FloatArray, weights: FloatArray, share: float) -> float:
    """Return the value up to which ``share`` of the weight lies, NaN for none.

    Halfway between neighbours as the usual quantile of equal weights (Hyndman and Fan 1996, type 5,
    American Statistician 50:361).

    Parameters
    ----------
    values
        Values, shape ``(n,)``.
    weights
        Their weights, shape ``(n,)``, not negative.
    share
        Share of the weight, 0 to 1.

    Returns
    -------
    float
        In the unit of the values; NaN for none.
    """
    require_same_shape(values, weights)
    held = weights > 0
    if not held.any():
        return NAN
    order = np.argsort(values[held], kind="stable")
    ordered, weight = values[held][order], weights[held][order]
    middle = np.cumsum(weight) - weight / 2
    return float(np.interp(share * weight.sum(), middle, ordered))


def compute_2drms_m(east_error_m: FloatArray, north_error_m: FloatArray) -> float:
    """Return twice the root of the mean square of horizontal errors ``(n,)``, NaN for none.

    Holds 95 to 98 % of the errors, by how round their scatter is.

    Parameters
    ----------
    east_error_m, north_error_m
        Errors of the fixes, shape ``(n,)`` [m].

    Returns
    -------
    float
        2DRMS [m]; NaN for none.

    References
    ----------
    Van Diggelen 2007, GNSS accuracy: lies, damn lies, and statistics, GPS World; for a circular
    normal distribution 2 sqrt(2) SD of one axis.
    """
    if not east_error_m.size:
        return NAN
    return 2.0 * float(np.sqrt(np.mean(east_error_m**2 + north_error_m**2)))


def find_jumps(
    seconds: FloatArray,
    east_m: FloatArray,
    north_m: FloatArray,
    *,
    piece: FloatArray,
    max_speed_mps: float,
    slack_m: float,
    longest_s: float,
) -> tuple[Jump, ...]:
    """Return the steps between fixes ``(n_fixes,)`` longer than anybody moves, plus ``slack_m``.

    A step out is joined to a step back within ``longest_s`` from which the place before the step
    out can be reached: that is one jump. Steps from one piece to the next are pauses.

    Parameters
    ----------
    seconds
        Times of the fixes, shape ``(n_fixes,)``, rising [s].
    east_m, north_m
        Fixes in one plane, shape ``(n_fixes,)`` [m].
    piece
        Number of the piece that each fix belongs to, shape ``(n_fixes,)``.
    max_speed_mps
        Faster than anybody moves [m/s].
    slack_m
        Added to the way that this speed allows [m].
    longest_s
        Longest time between a step out and the step back [s].

    Returns
    -------
    tuple of Jump
        In order of time.
    """
    step = np.hypot(np.diff(east_m), np.diff(north_m))
    allowed = max_speed_mps * np.maximum(np.diff(seconds), 0.0) + slack_m
    wild = np.flatnonzero((step > allowed) & (np.diff(piece) == 0)).tolist()
    jumps: list[Jump] = []
    taken = -1
    for number, at in enumerate(wild):
        if at <= taken:
            continue
        back = next(
            (
                other
                for other in wild[number + 1 :]
                if seconds[other] - seconds[at] <= longest_s
                and _can_reach(seconds, east_m, north_m, at, other + 1, max_speed_mps, slack_m)
            ),
            None,
        )
        taken = at if back is None else back
        jumps.append(Jump(at, taken + 1, float(step[at]), back is not None))
    return tuple(jumps)


def _can_reach(
    seconds: FloatArray,
    east_m: FloatArray,
    north_m: FloatArray,
    first: int,
    last: int,
    max_speed_mps: float,
    slack_m: float,
) -> bool:
    apart = float(np.hypot(east_m[last] - east_m[first], north_m[last] - north_m[first]))
    return apart <= max_speed_mps * float(seconds[last] - seconds[first]) + slack_m


def compute_geometric_median(
    east_m: FloatArray, north_m: FloatArray, *, weights: FloatArray | None = None
) -> tuple[FloatArray, FloatArray]:
    """Return the point with the least sum of distances to the points of each column.

    One wild point moves it little. Of two points of one weight it is their middle.

    Parameters
    ----------
    east_m, north_m
        Points, shape ``(n_points, n_columns)``, NaN where missing [m].
    weights
        Their weights, of the same shape, positive; all alike by default.

    Returns
    -------
    tuple of two float arrays ``(n_columns,)``
        East and north [m]; NaN where all points of a column are missing.

    References
    ----------
    Weiszfeld 1937, Tohoku Mathematical Journal 43:355, started from the mean (started on one of the
    points it would stay there).
    """
    known = np.isfinite(east_m) & np.isfinite(north_m)
    some = known.any(axis=0)
    east, north = np.full(some.shape, np.nan), np.full(some.shape, np.nan)
    if not some.any():
        return east, north
    held = np.where(known, 1.0 if weights is None else weights, 0.0)[:, some]
    x, y = np.where(known, east_m, 0.0)[:, some], np.where(known, north_m, 0.0)[:, some]
    total = held.sum(axis=0)
    at_x, at_y = (held * x).sum(axis=0) / total, (held * y).sum(axis=0) / total
    for _ in range(_STEPS):
        pull = held / np.maximum(np.hypot(x - at_x, y - at_y), _CLOSE_M)
        total = pull.sum(axis=0)
        next_x, next_y = (pull * x).sum(axis=0) / total, (pull * y).sum(axis=0) / total
        moved = float(np.hypot(next_x - at_x, next_y - at_y).max())
        at_x, at_y = next_x, next_y
        if moved < _CLOSE_M:
            break
    east[some], north[some] = at_x, at_y
    return east, north


def estimate_ranacher_mean_square_m2(
    true_distance_m: float, sd_m: float, autocorrelation: float
) -> float:
    """Return the expected square of a measured distance between two noisy fixes [m^2].

    d0^2 + 4 SD^2 (1 - rho), SD of each axis, rho the autocorrelation of the errors of the two
    fixes: why noise makes summed tracks too long.

    Parameters
    ----------
    true_distance_m
        The true distance d0 [m].
    sd_m
        SD of each axis [m].
    autocorrelation
        Rho of the errors of the two fixes.

    Returns
    -------
    float
        Mean square [m^2].

    References
    ----------
    Ranacher et al. 2016, Why GPS makes distances bigger than they are, IJGIS 30:316, equation for
    equal axes.
    """
    return true_distance_m**2 + 4.0 * sd_m**2 * (1.0 - autocorrelation)


def compute_rice_mean_m(true_distance_m: float, sd_m: float) -> float:
    """Return the mean of a distance whose two coordinates are normal with ``sd_m`` about the truth.

    Parameters
    ----------
    true_distance_m
        The true distance [m].
    sd_m
        SD of each coordinate [m].

    Returns
    -------
    float
        Mean distance [m].

    References
    ----------
    Rice 1945, Bell System Technical Journal 24:46; through the exponentially scaled Bessel
    functions, and far from the origin by the first terms of their series.
    """
    from scipy.special import ive  # noqa: PLC0415 - scipy is slow to import

    if sd_m <= 0:
        return abs(true_distance_m)
    if abs(true_distance_m) > _FAR * sd_m:
        return abs(true_distance_m) + sd_m**2 / (2.0 * abs(true_distance_m))
    z = true_distance_m**2 / (4.0 * sd_m**2)
    scaled = (1.0 + 2.0 * z) * ive(0, z) + 2.0 * z * ive(1, z)
    return float(sd_m * np.sqrt(np.pi / 2.0) * scaled)
