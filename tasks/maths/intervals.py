"""Intervals from a standard error, on the scale that suits the figure, and exact ones of counts."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Literal

import numpy as np

from tasks.maths.arrays import NO_INTERVAL, Interval

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray

Scale = Literal["plain", "log", "logit", "fisher"]


def spread_interval(value: float, half_width: float, *, scale: Scale = "plain") -> Interval:
    """Return interval of a figure whose plain one would be value +- half_width, made on a scale.

    "log" for figures above 0, "logit" for shares inside 0 and 1, "fisher" (inverse hyperbolic
    tangent) for coefficients inside -1 and 1: the ends then stay where the figure can be, and the
    farther one is the one towards the middle of its range. A value at or beyond the edge of its
    scale, or an unknown half-width, gives no interval, a half_width of 0 the value itself.
    Formula: g^-1(g(value) +- g'(value) half_width) (delta method). *Source*: Oehlert 1992, American
    Statistician 46:27; the third scale is Fisher's of 1921, Metron 1:3.
    """
    if not (np.isfinite(value) and np.isfinite(half_width)):
        return NO_INTERVAL
    if half_width == 0:
        return Interval(value, value)
    if scale == "plain":
        return Interval(value - half_width, value + half_width)
    if scale == "log":
        return _spread_on_log(value, half_width)
    if scale == "logit":
        # The logit of a share is twice the inverse hyperbolic tangent of 2 share - 1.
        wide = _spread_on_fisher(2 * value - 1, 2 * half_width)
        return Interval((wide.low + 1) / 2, (wide.high + 1) / 2)
    return _spread_on_fisher(value, half_width)


def _spread_on_log(value: float, half_width: float) -> Interval:
    if value <= 0:
        return NO_INTERVAL
    stretch = float(np.exp(half_width / value))
    return Interval(value / stretch, value * stretch)


def _spread_on_fisher(value: float, half_width: float) -> Interval:
    if abs(value) >= 1:
        return NO_INTERVAL
    centre, half = float(np.arctanh(value)), half_width / (1 - value**2)
    return Interval(float(np.tanh(centre - half)), float(np.tanh(centre + half)))


def recover_sum_interval(
    values: tuple[float, float], intervals: tuple[Interval, Interval], *, correlation: float = 0.0
) -> Interval:
    """Return the interval of the sum of two estimates from the intervals of both (MOVER).

    Formula: low = sum - sqrt(a^2 + b^2 + 2 r a b), a and b the distances of the values from the
    low ends of their intervals, r the correlation of the estimates; high alike. An unknown
    interval of either leaves that of the sum unknown.
    *Source*: Zou and Donner 2008, Statistics in Medicine 27:1693; with correlation Zou 2008,
    American Journal of Epidemiology 168:212.
    """
    if not all(np.isfinite(interval.low + interval.high) for interval in intervals):
        return NO_INTERVAL
    total = values[0] + values[1]
    below = [value - interval.low for value, interval in zip(values, intervals, strict=True)]
    above = [interval.high - value for value, interval in zip(values, intervals, strict=True)]
    reaches = [
        float(np.sqrt(max(0.0, a**2 + b**2 + 2 * correlation * a * b))) for a, b in (below, above)
    ]
    return Interval(total - reaches[0], total + reaches[1])


def compute_share_interval(count: float, trials: float, *, confidence: float = 0.95) -> Interval:
    """Return the exact interval of a share, between 0 and 1.

    ``trials`` may be an effective number that is not whole, and ``count`` then is the share times
    it; fewer than one trial gives no interval. Formula: quantiles of beta distributions.
    *Source*: Clopper and Pearson 1934, Biometrika 26:404; with an effective number Korn and
    Graubard 1998, Survey Methodology 24:193.
    """
    from scipy.special import betaincinv  # noqa: PLC0415 - scipy is slow to import

    if trials < 1:
        return NO_INTERVAL
    tail = (1 - confidence) / 2
    low = float(betaincinv(count, trials - count + 1, tail)) if count > 0 else 0.0
    high = float(betaincinv(count + 1, trials - count, 1 - tail)) if count < trials else 1.0
    return Interval(low, high)


def compute_median_interval(values: FloatArray, *, confidence: float = 0.95) -> Interval:
    """Return the interval of the median of independent values ``(n,)`` from two order statistics.

    It holds the median at least as often as ``confidence`` says, whatever the distribution; for
    95 % six values are needed, fewer give no interval.
    *Source*: Thompson 1936, Annals of Mathematical Statistics 7:122 (sign test inverted).
    """
    ordered = np.sort(values)
    rank = _find_rank(ordered.size, (1 - confidence) / 2)
    if rank < 1:
        return NO_INTERVAL
    return Interval(float(ordered[rank - 1]), float(ordered[ordered.size - rank]))


@cache
def _find_rank(n: int, tail: float) -> int:
    from scipy.stats import binom  # noqa: PLC0415 - scipy is slow to import

    return int(binom.ppf(tail, n, 0.5)) if n else 0
