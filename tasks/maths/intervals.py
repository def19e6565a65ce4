"""Intervals from a standard error, on the scale that suits the figure, and exact ones of counts."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Literal

import numpy as np

from tasks.maths.arrays import NO_INTERVAL, Interval

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray

#: Six values are the fewest of which the lowest and highest hold the median 95 % of the time.
FEWEST_FOR_MEDIAN = 6
#: Up to here a power of two is an exact float with room for a share of it.
_EXACT_POWER = 1000

Scale = Literal["plain", "logit"]


def spread_interval(value: float, half_width: float, *, scale: Scale = "plain") -> Interval:
    """Return the interval of a figure from half its plain width, made on a scale.

    Parameters
    ----------
    value
        The figure.
    half_width
        Half the width of its plain interval, same unit; 0 gives the value itself.
    scale
        "logit" is for shares inside 0 and 1: the ends then stay there.

    Returns
    -------
    Interval
        In the unit of the figure; none for an unknown half-width, and for a value at or beyond the
        edge of its scale.

    Notes
    -----
    Formula: g^-1(g(value) +- g'(value) half_width) (delta method), g(x) = log(x / (1 - x)).

    References
    ----------
    Oehlert 1992, American Statistician 46:27.
    """
    if not (np.isfinite(value) and np.isfinite(half_width)):
        return NO_INTERVAL
    if half_width == 0:
        return Interval(value, value)
    if scale == "plain":
        return Interval(value - half_width, value + half_width)
    if not 0 < value < 1:
        return NO_INTERVAL
    odds = value / (1 - value)
    stretch = float(np.exp(half_width / (value * (1 - value))))
    return Interval(odds / (odds + stretch), odds / (odds + 1 / stretch))


def compute_share_interval(count: float, trials: float, *, confidence: float = 0.95) -> Interval:
    """Return the exact interval of a share.

    Parameters
    ----------
    count
        Marked ones: with an effective number of trials the share times it.
    trials
        All; may be an effective number that is not whole.
    confidence
        Between 0 and 1.

    Returns
    -------
    Interval
        Between 0 and 1; none for fewer than one trial.

    Notes
    -----
    Formula: quantiles of beta distributions.

    References
    ----------
    Clopper and Pearson 1934, Biometrika 26:404; with an effective number Korn and Graubard 1998,
    Survey Methodology 24:193.
    """
    from scipy.special import betaincinv  # noqa: PLC0415 - scipy is slow to import

    if trials < 1:
        return NO_INTERVAL
    tail = (1 - confidence) / 2
    low = float(betaincinv(count, trials - count + 1, tail)) if count > 0 else 0.0
    high = float(betaincinv(count + 1, trials - count, 1 - tail)) if count < trials else 1.0
    return Interval(low, high)


def compute_median_interval(values: FloatArray, *, confidence: float = 0.95) -> Interval:
    """Return the interval of the median of independent values from two order statistics.

    Parameters
    ----------
    values
        Shape ``(n,)``, independent, without missing ones.
    confidence
        It holds the median at least as often, whatever the distribution.

    Returns
    -------
    Interval
        In the unit of the values; none for too few, six for 95 %.

    References
    ----------
    Thompson 1936, Annals of Mathematical Statistics 7:122 (sign test inverted).
    """
    ordered = np.sort(values)
    rank = _find_rank(ordered.size, (1 - confidence) / 2)
    if rank < 1:
        return NO_INTERVAL
    return Interval(float(ordered[rank - 1]), float(ordered[ordered.size - rank]))


@cache
def _find_rank(n: int, tail: float) -> int:
    """Return the quantile of a binomial of ``n`` fair throws, counted in whole numbers."""
    wanted = tail * 2.0**n if n < _EXACT_POWER else int(tail * 2**_EXACT_POWER) << n - _EXACT_POWER
    ways = reached = 1
    rank = 0
    while reached < wanted:
        ways = ways * (n - rank) // (rank + 1)
        reached += ways
        rank += 1
    return rank
