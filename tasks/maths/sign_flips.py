"""Many paired questions at once, exactly: joint sign flips of whole workouts, largest statistic.

Each row of the differences is one workout, each column one question. Without any difference each
workout could as well have come out with its sign turned, in all questions together; so that
whatever the questions have in common is kept.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray

#: Up to this many workouts every flip is looked at (2^15 of them: half, since turning all signs
#: changes no statistic); beyond, a random choice.
MOST_EXACT = 16
N_RANDOM = 9_999
#: From this many workouts on single values are clipped, so that one workout cannot decide alone.
CLIPPED_FROM = 16
_CLIP = 1.5 / 0.6745  # Huber's constant over the median of |z| of a normal distribution
_TIE = 1e-9
_BLOCK = 2_000  # flips
_SEED = 20260301


Signs = NDArray[np.int8]


@dataclass(frozen=True, slots=True)
class FlipTest:
    """What joint sign flips say of m questions; each array is ``(m,)``.

    ``statistic`` is what was compared with the flips (after deflation), signed. ``p_value`` is of
    the question alone, ``p_adjusted`` holds for all of them together, ``best_p`` is the least that
    this many workouts of a question could have given in this family.
    """

    statistic: FloatArray
    p_value: FloatArray
    p_adjusted: FloatArray
    best_p: FloatArray


@lru_cache(maxsize=8)
def make_flips(n: int) -> Signs:
    """Return joint signs, 1 or -1, shape ``(n_flips, n)``, the observed ones first.

    All of them up to 16 workouts, with the last sign held; beyond 9,999 random ones with a fixed
    seed and the observed one.

    Parameters
    ----------
    n
        Number of workouts.

    Returns
    -------
    array ``(n_flips, n)``
        Signs, 1 or -1, the observed ones first.
    """
    if n <= MOST_EXACT:
        numbers = np.arange(2 ** max(0, n - 1))
        bits = (numbers[:, np.newaxis] >> np.arange(n)) & 1
        return np.where(bits > 0, -1, 1).astype(np.int8)
    generator = np.random.default_rng(_SEED)
    signs = generator.integers(0, 2, (N_RANDOM + 1, n), dtype=np.int8)
    signs = 2 * signs - 1
    signs[0] = 1
    return signs


def _add_up(flips: Signs, values: FloatArray) -> FloatArray:
    """Return the sums of ``values`` ``(n, m)`` under each flip, block by block to save memory."""
    blocks = [
        flips[begin : begin + _BLOCK].astype(np.float64) @ values
        for begin in range(0, flips.shape[0], _BLOCK)
    ]
    sums: FloatArray = np.concatenate(blocks)
    return sums


def clip_differences(differences: FloatArray) -> FloatArray:
    """Return each column held within 1.5 robust SDs of zero; NaN stays.

    Parameters
    ----------
    differences
        Shape ``(n, m)``.

    Returns
    -------
    float array ``(n, m)``
        In the unit of the differences.

    References
    ----------
    Huber 1964, Annals of Mathematical Statistics 35:73; scores for sign flips after Maritz 1979,
    Biometrika 66:163 (from memory).
    """
    clipped = differences.copy()
    for column in clipped.T:
        known = np.isfinite(column)
        limit = _CLIP * float(np.median(np.abs(column[known]))) if known.any() else 0.0
        if limit > 0:
            column[known] = np.clip(column[known], -limit, limit)
    return clipped


def assess_by_flips(differences: FloatArray, *, inflation: float = 1.0) -> FlipTest:
    """Test whether m questions show a difference, for all of them together.

    Formula: T = sum d / sqrt(sum d^2), compared with its value under every joint flip; step-down
    maximum of |T| over the questions that are left. From 16 workouts on d is clipped. A workout
    without a value of one question takes part in the others.

    Parameters
    ----------
    differences
        Shape ``(n_workouts, m)``, on the scale that is compared; NaN where there is no value.
    inflation
        By which the spread of the mean is larger than that of independent workouts
        (:mod:`tasks.maths.neighbours`).

    Returns
    -------
    FlipTest
        p values by question, alone and for all together.

    References
    ----------
    Westfall and Young 1993, Resampling-Based Multiple Testing; Romano and Wolf 2005, JASA 100:94
    (step-down); Hemerik and Goeman 2018, TEST 27:811 (random flips with the observed one).
    """
    n, m = differences.shape
    if not n or not m:
        empty = np.full(m, np.nan)
        return FlipTest(empty, empty.copy(), empty.copy(), empty.copy())
    used = clip_differences(differences) if n >= CLIPPED_FROM else differences
    known = np.isfinite(used)
    filled = np.where(known, used, 0.0)
    sizes = np.sqrt(np.sum(np.square(filled), axis=0))
    scaled = np.divide(filled, sizes, out=np.zeros_like(filled), where=sizes > 0)
    flips = make_flips(n)
    drawn = np.abs(_add_up(flips, scaled))
    statistic = deflate(scaled.sum(axis=0), known.sum(axis=0), inflation)
    own, adjusted = step_down(drawn, np.abs(statistic))
    return FlipTest(statistic, own, adjusted, _find_best(flips, known, drawn))


def assess_alone(differences: FloatArray) -> tuple[float, float]:
    """Return the p value of one question alone, and the least that so many workouts could give.

    Up to 16 by every sign flip; beyond, by Student's t of the clipped values, to which the flips
    come close.

    Parameters
    ----------
    differences
        Differences without missing ones, shape ``(n,)``.

    Returns
    -------
    tuple of two floats
        The two-sided p value, and the least possible one.
    """
    from scipy.special import stdtr  # noqa: PLC0415 - scipy is slow to import

    n = differences.size
    if n <= MOST_EXACT:
        found = assess_by_flips(differences[:, np.newaxis])
        return float(found.p_value[0]), float(found.best_p[0])
    clipped = clip_differences(differences[:, np.newaxis])[:, 0]
    error = float(np.std(clipped, ddof=1) / np.sqrt(n))
    if error == 0:
        return (1.0 if clipped[0] == 0 else 0.0), 0.0
    return float(2 * stdtr(n - 1, -abs(float(clipped.mean())) / error)), 0.0


def step_down(drawn: FloatArray, observed: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return p values of each question alone and for all together, by the step-down maximum.

    Parameters
    ----------
    drawn
        Statistics under every rearrangement, shape ``(n_drawn, m)``; larger is further from zero.
    observed
        Those of the data, shape ``(m,)``.

    Returns
    -------
    tuple of two float arrays ``(m,)``
        p values of each question alone, and adjusted for all together.
    """
    own = np.mean(drawn >= observed - _TIE, axis=0)
    adjusted = np.ones_like(own)
    largest = np.zeros(drawn.shape[0])
    order = np.argsort(observed, kind="stable")
    for column in order:  # from the smallest: the largest of all that are not larger
        largest = np.maximum(largest, drawn[:, column])
        adjusted[column] = np.mean(largest >= observed[column] - _TIE)
    descending = order[::-1]
    adjusted[descending] = np.maximum.accumulate(adjusted[descending])
    return own, adjusted


def deflate(statistic: FloatArray, n: FloatArray, inflation: float) -> FloatArray:
    """Return self-normalised sums as they were with the t value divided by ``inflation``.

    Formula: t = T sqrt((n - 1) / (n - T^2)), back by T = t sqrt(n / (n - 1 + t^2)).

    Parameters
    ----------
    statistic
        Self-normalised sums T, shape ``(..., m)``.
    n
        Number of values of each question, shape ``(m,)``.
    inflation
        By which the spread of a mean is larger than that of independent workouts.

    Returns
    -------
    float array
        Of the shape of ``statistic``.
    """
    if inflation <= 1:
        return statistic
    size = n.astype(np.float64)
    lacking = np.maximum(size - np.square(statistic), 0.0)
    # T' from T without the detour over an infinite t (all differences equal).
    scale = lacking * inflation**2 + np.square(statistic)
    return np.divide(
        statistic * np.sqrt(size), np.sqrt(scale), out=np.zeros_like(statistic), where=scale > 0
    )


def _find_best(flips: Signs, known: np.ndarray, drawn: FloatArray) -> FloatArray:
    """Return the p of each question if all its differences were equal, the others as they are."""
    counts = known.sum(axis=0)
    best = np.ones(counts.size)
    largest, second = _find_two_largest(drawn)
    for column, count in enumerate(counts):
        if not count:
            continue
        if count > MOST_EXACT:  # so many are never too few
            best[column] = 1 / flips.shape[0]
            continue
        equal = np.abs(flips[:, known[:, column]].sum(axis=1)) / np.sqrt(count)
        others = np.where(drawn[:, column] >= largest, second, largest)
        best[column] = np.mean(np.maximum(equal, others) >= np.sqrt(count) - _TIE)
    return best


def _find_two_largest(drawn: FloatArray) -> tuple[FloatArray, FloatArray]:
    if drawn.shape[1] == 1:
        return drawn[:, 0], np.zeros(drawn.shape[0])
    two = np.partition(drawn, -2, axis=1)[:, -2:]
    return two[:, 1], two[:, 0]
