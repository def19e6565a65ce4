"""Intervals of long-run means from one stretch of seconds that resemble their neighbours.

What such an interval is of: the mean that the same process would reach if it went on for ever under
the same conditions. The mean over the seconds themselves is known and needs none. Where a stretch
holds too few independent parts to speak of more than itself, there is no interval but a reason.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from tasks.maths.arrays import NO_INTERVAL, FloatArray, Interval
from tasks.maths.autocorrelation import compute_effective_n, estimate_persistence
from tasks.maths.intervals import spread_interval

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

#: Where the method is published, for the catalogue of metrics.
SOURCE: Final = (
    "interval of the long run under the same conditions from cosine waves, Lazarus et al. 2018, "
    "JBES 36:541"
)
#: What a stretch must hold before it speaks of more than itself; found by simulation.
FEWEST_SECONDS: Final = 2700
FEWEST_INDEPENDENT: Final = 48
FEWEST_CHANGES: Final = 12
CHANGE_S: Final = 30
LARGEST_SHARE: Final = 0.65
_WAVES: Final = 8
#: The gates prefer calm stretches, whose errors are a little too small; close to a gate much more.
_WIDENED: Final = 1.1
_WIDENED_AT_GATE: Final = 0.6
_GATE_POWER: Final = 5
_TESTED_WAVES: Final = 12
_SLOW_WAVES: Final = 2
#: The 0.99 quantile of F with 2 times `_SLOW_WAVES` / 2 and 10 degrees of freedom.
_SLOW_LIMIT: Final = 7.559
_BLOCKS: Final = 24
_STEADY: Final = 1e-9
_STRAIGHT: Final = 1e-6


class Worth(NamedTuple):
    """How much seconds in a row are worth: independent seconds, and independent means of 30 s."""

    independent: float
    changes: float


class LongRun(NamedTuple):
    """An interval, or the reason why there is none."""

    interval: Interval
    reason: str | None


NOT_SOUGHT: Final = LongRun(NO_INTERVAL, None)


def explain_no_long_run(values: FloatArray) -> str | None:
    """Say why seconds in a row do not show the long run of what they came from; None if they do.

    It takes

    - ``FEWEST_SECONDS`` seconds,
    - seconds worth ``FEWEST_INDEPENDENT`` independent ones by their memory from second to second,
      and means of 30 s worth ``FEWEST_CHANGES``: noise hides slow changes from the first figure,
    - no drift or single change of level: the two slowest of twelve cosine waves carry no more
      than chance allows (F test at 1 %),
    - no single episode: no 24th of the time, wherever the division begins, carries more than
      ``LARGEST_SHARE`` of the squares of the means of all 24.

    Parameters
    ----------
    values
        Seconds in a row, shape ``(n_seconds,)``, without missing ones; gaps are closed up.

    Returns
    -------
    str or None
        The reason; None where the seconds show their long run.

    References
    ----------
    Effective numbers of Bayley and Hammersley 1946, JRSS Supplement 8:184; the share of one block
    is Cochran's C (1941, Annals of Eugenics 11:47); limits are our own, found by simulation.
    """
    n = values.size
    if n < FEWEST_SECONDS:
        return explain_too_short(n)
    if np.ptp(values) <= _STEADY:
        return "nothing varies that an interval could be made from"
    return _explain_memory(values) or _explain_level(values)


def explain_too_short(n_seconds: int) -> str:
    """Say how long a stretch is and how long it must be for an interval.

    Parameters
    ----------
    n_seconds
        Length of the stretch [s].

    Returns
    -------
    str
        One clause.
    """
    return f"{n_seconds / 60:.0f} min can be compared; an interval takes {FEWEST_SECONDS // 60}"


def measure_worth(values: FloatArray) -> Worth:
    """Return what seconds ``(n_seconds,)`` in a row are worth.

    Parameters
    ----------
    values
        Seconds in a row, shape ``(n_seconds,)``, without missing ones; gaps are closed up.

    Returns
    -------
    Worth
        Independent seconds and independent means of 30 s.
    """
    independent = compute_effective_n(values.size, estimate_persistence(values))
    return Worth(independent, count_changes(values))


def compute_widening(several: Iterable[Worth]) -> float:
    """Return by how much half an interval is widened, from the least that its series are worth.

    What just passes a gate did so by being calmer than what it came from. Formula: 1.1 (1 + 0.6
    r^5), r the larger of ``FEWEST_INDEPENDENT`` / independent seconds and ``FEWEST_CHANGES`` /
    independent means; 1.76 at a gate, 1.12 at twice its number.

    Parameters
    ----------
    several
        What each series of the same seconds is worth.

    Returns
    -------
    float
        Factor of 1.1 or more for half the interval.

    References
    ----------
    Our own, found by simulation.
    """
    ratio = max(
        max(FEWEST_INDEPENDENT / worth.independent, FEWEST_CHANGES / worth.changes)
        for worth in several
    )
    return float(_WIDENED * (1 + _WIDENED_AT_GATE * ratio**_GATE_POWER))


def _explain_memory(values: FloatArray) -> str | None:
    independent, changes = measure_worth(values)
    if not independent >= FEWEST_INDEPENDENT:
        return (
            f"errors last so long that these seconds are worth {independent:.0f} independent ones; "
            f"an interval takes {FEWEST_INDEPENDENT}"
        )
    if not changes >= FEWEST_CHANGES:
        return (
            f"errors change so slowly that this is worth {changes:.0f} independent stretches; "
            f"an interval takes {FEWEST_CHANGES}"
        )
    return None


def _explain_level(values: FloatArray) -> str | None:
    squares = np.square(_find_waves(values, _TESTED_WAVES))
    slow, others = squares[:_SLOW_WAVES].mean(), squares[_SLOW_WAVES:].mean()
    if slow > _SLOW_LIMIT * others:
        return "errors drift, or change their level too seldom to say how often they do"
    share = find_largest_share(values)
    if share > LARGEST_SHARE:
        return f"one episode makes up {100 * share:.0f} % of what varies"
    return None


def count_changes(values: FloatArray) -> float:
    """Return how many independent stretches the means of 30 s are worth; 0 for fewer than three.

    Parameters
    ----------
    values
        Seconds in a row, shape ``(n_seconds,)``, without missing ones; gaps are closed up.

    Returns
    -------
    float
        Number of independent stretches; 0 for fewer than three means.
    """
    n = values.size // CHANGE_S
    means = values[: n * CHANGE_S].reshape(n, CHANGE_S).mean(axis=1)
    worth = compute_effective_n(n, estimate_persistence(means))
    return worth if np.isfinite(worth) and n > _SLOW_WAVES else 0.0


def find_largest_share(values: FloatArray) -> float:
    """Return the largest share that a 24th of the time has of the squares of all 24 means.

    Cochran's C of the block means about their own mean, for a division from the first second on and
    one that begins half a block later: the larger of the two.

    Parameters
    ----------
    values
        Seconds in a row, shape ``(n_seconds,)``, without missing ones; gaps are closed up.

    Returns
    -------
    float
        Share, 0 to 1.
    """
    half = values.size // _BLOCKS // 2
    shares = []
    for start in (0, half):
        squares = np.square(_centre_blocks(values[start:]))
        total = float(squares.sum())
        shares.append(float(squares.max()) / total if total > 0 else 1.0)
    return max(shares)


def compute_wave_error(values: FloatArray, *, n_waves: int = _WAVES) -> float:
    """Return the standard error of the mean of a series from its slowest cosine waves.

    The series, ``(n_seconds,)``, is written as cosine waves of 1/2, 2/2, ... n_waves/2 turns; the
    mean square of their weights is the long-run variance, and mean / error has a t distribution
    with ``n_waves`` degrees of freedom, also for series with memory. With all n - 1 waves it is the
    standard error of independent samples.

    Parameters
    ----------
    values
        Seconds in a row, shape ``(n_seconds,)``, without missing ones; gaps are closed up.
    n_waves
        Number of cosine waves, and of degrees of freedom.

    Returns
    -------
    float
        Standard error in the unit of the values.

    References
    ----------
    Phillips 2005, Econometric Theory 21:116; Lazarus, Lewis, Stock and Watson 2018, Journal of
    Business and Economic Statistics 36:541 (equal-weighted cosine estimator).
    """
    variance = float(np.square(_find_waves(values, n_waves)).mean())
    return float(np.sqrt(variance / values.size))


def estimate_mean(
    values: FloatArray,
    *,
    least: float = -np.inf,
    confidence: float = 0.95,
    beside: Sequence[FloatArray] = (),
) -> LongRun:
    """Return the interval of the long-run mean of seconds in a row, or why there is none.

    Formula: with T = (mean - truth) / error of :func:`compute_wave_error`, g(T) = T + a T^2 / 3 +
    a^2 T^3 / 27 + a / 6 has the t distribution, a = skewness of the means of 24 blocks / sqrt(24);
    both ends are farther from the mean by :func:`compute_widening`.

    Parameters
    ----------
    values
        Seconds in a row, shape ``(n_seconds,)``, without missing ones; gaps are closed up.
    least
        The least that the mean can be: an end below it is none.
    confidence
        Share of such intervals that are to hold the long-run mean.
    beside
        Series of the same seconds, such as signed errors beside their sizes, that must show their
        long run as well.

    Returns
    -------
    LongRun
        The interval, or the reason why there is none.

    References
    ----------
    Hall 1992, JRSS B 54:221 (transformation that removes skewness), here with blocks.
    """
    reason = _explain_first((*beside, values))
    if reason is not None:
        return LongRun(NO_INTERVAL, reason)
    widening = compute_widening(map(measure_worth, (*beside, values)))
    mean, error = float(values.mean()), widening * compute_wave_error(values)
    quantile = _find_quantile(confidence)
    bend = compute_block_skewness(values) / np.sqrt(_BLOCKS)
    low, high = (mean - error * undo_skewness(side * quantile, bend) for side in (1, -1))
    if low < least:
        return LongRun(NO_INTERVAL, "the interval would go beyond what the figure can be")
    return LongRun(Interval(low, high), None)


def estimate_share(
    marks: FloatArray, *, confidence: float = 0.95, beside: Sequence[FloatArray] = ()
) -> LongRun:
    """Return the interval of the long-run share of marked seconds, within 0 and 1, or a reason.

    Formula: the interval of the mean on the logit scale, wider by :func:`compute_widening`.

    Parameters
    ----------
    marks
        Marks of 0 and 1, shape ``(n_seconds,)``.
    confidence
        Share of such intervals that are to hold the long-run share.
    beside
        As in :func:`estimate_mean`.

    Returns
    -------
    LongRun
        The interval within 0 and 1, or the reason why there is none.
    """
    reason = _explain_first(beside)
    if reason is not None:
        return LongRun(NO_INTERVAL, reason)
    share = float(marks.mean()) if marks.size else 0.0
    if marks.size >= FEWEST_SECONDS and share in {0.0, 1.0}:
        side = "in" if share else "out"
        said = f"all seconds are {side}side: how rare others are, one workout does not show"
        return LongRun(NO_INTERVAL, said)
    reason = explain_no_long_run(marks)
    if reason is not None:
        return LongRun(NO_INTERVAL, reason)
    widening = compute_widening(map(measure_worth, (*beside, marks)))
    half_width = widening * _find_quantile(confidence) * compute_wave_error(marks)
    return LongRun(spread_interval(share, half_width, scale="logit"), None)


def _explain_first(several: Sequence[FloatArray]) -> str | None:
    reasons = (explain_no_long_run(values) for values in several)
    return next((reason for reason in reasons if reason is not None), None)


def compute_block_skewness(values: FloatArray) -> float:
    """Return the skewness of the means of 24 blocks: mean cube over cubed SD, n / (n - 1) times.

    Parameters
    ----------
    values
        Seconds in a row, shape ``(n_seconds,)``, without missing ones; gaps are closed up.

    Returns
    -------
    float
        Skewness, no unit.
    """
    centred = _centre_blocks(values)
    sd = float(np.std(centred, ddof=1))
    if sd <= 0:
        return 0.0
    return float(np.mean(centred**3)) / sd**3 * _BLOCKS / (_BLOCKS - 1)


def undo_skewness(quantile: float, bend: float) -> float:
    """Return T where g(T) = T + a T^2 / 3 + a^2 T^3 / 27 + a / 6 is a quantile; a is ``bend``.

    Parameters
    ----------
    quantile
        Quantile of the t distribution.
    bend
        The a of the formula.

    Returns
    -------
    float
        T.
    """
    if abs(bend) < _STRAIGHT:
        return quantile
    return float(3 / bend * (np.cbrt(1 + bend * (quantile - bend / 6)) - 1))


def _centre_blocks(values: FloatArray) -> FloatArray:
    length = values.size // _BLOCKS
    means = values[: length * _BLOCKS].reshape(_BLOCKS, length).mean(axis=1)
    centred: FloatArray = means - means.mean()
    return centred


def _find_quantile(confidence: float) -> float:
    from scipy.special import stdtrit  # noqa: PLC0415 - scipy is slow to import

    return float(stdtrit(_WAVES, 0.5 + confidence / 2))


def _find_waves(values: FloatArray, n_waves: int) -> FloatArray:
    """Return the weights of the slowest cosine waves ``(n_waves,)``, of squares that add up."""
    found: FloatArray = (values - values.mean()) @ _draw_waves(values.size, n_waves)
    return found


@lru_cache(maxsize=8)
def _draw_waves(n: int, n_waves: int) -> FloatArray:
    turns = np.pi / n * np.outer(np.arange(n) + 0.5, np.arange(1, n_waves + 1))
    waves: FloatArray = np.cos(turns) * np.sqrt(2 / n)
    return waves
