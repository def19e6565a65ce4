"""Whether a difference depends on a label of the workouts, e.g. their place: labels permuted."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from math import comb
from typing import TYPE_CHECKING

import numpy as np

from tasks.maths.sign_flips import CLIPPED_FROM, clip_differences, step_down

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray, FloatArray

#: Up to this many ways to deal out the labels each is looked at; beyond, a random choice.
MOST_EXACT = 20_000
N_RANDOM = 9_999
#: Fewer ways where there are many workouts: what they cannot tell apart is small.
_N_RANDOM_OF_MANY = 1_999
_MANY = 100
_FEWEST = 2
_NO_SPREAD = 1e-12
_SEED = 20260303


@dataclass(frozen=True, slots=True)
class LabelTest:
    """What permuted labels say of m questions; each array is ``(m,)``.

    ``statistic`` is positive where the labelled workouts have the larger differences; NaN, as all
    else, where a question has fewer than two workouts with the label or without. ``best_p`` is the
    least that these numbers of workouts could have given, of the question alone.
    """

    statistic: FloatArray
    p_value: FloatArray
    p_adjusted: FloatArray
    best_p: FloatArray


def assess_by_labels(differences: FloatArray, labels: BoolArray) -> LabelTest:
    """Test whether differences depend on a label, for m questions together.

    Formula: T = sqrt(n - 1) times the correlation of differences and label; step-down maximum of
    |T| over all ways to deal out the labels. From 16 workouts on differences are clipped about
    their median.

    Parameters
    ----------
    differences
        Shape ``(n_workouts, m)``; NaN where there is no value.
    labels
        Shape ``(n_workouts,)``.

    Returns
    -------
    LabelTest
        p values by question, alone and for all together.

    References
    ----------
    Westfall and Young 1993, Resampling-Based Multiple Testing (step-down maximum); permutation of
    group labels: Pitman 1937, JRSS Supplement 4:119 (from memory).
    """
    m = differences.shape[1]
    known = np.isfinite(differences)
    usable = (known[labels].sum(axis=0) >= _FEWEST) & (known[~labels].sum(axis=0) >= _FEWEST)
    answers = [np.full(m, np.nan) for _ in range(4)]
    if not usable.any():
        return LabelTest(*answers)
    dealt = deal_labels(labels.size, int(labels.sum()))
    dealt = np.vstack([labels.astype(np.float64), dealt])
    chosen = known[:, usable]
    drawn = _correlate(dealt, _centre(differences[:, usable]), chosen)
    statistic = drawn[0]
    own, adjusted = step_down(np.abs(drawn[1:]), np.abs(statistic))
    ideal = np.where(chosen, labels[:, np.newaxis].astype(np.float64), np.nan)
    best, _ = step_down(*_split_first(_correlate(dealt, _centre(ideal, clip=False), chosen)))
    for answer, found in zip(answers, (statistic, own, adjusted, best), strict=True):
        answer[usable] = found
    return LabelTest(*answers)


@lru_cache(maxsize=8)
def deal_labels(n: int, n_labelled: int) -> FloatArray:
    """Return ways to deal out labels, 1 or 0, shape ``(n_ways, n)``: all, or random ones.

    Parameters
    ----------
    n
        Number of workouts.
    n_labelled
        How many of them have the label.

    Returns
    -------
    float array ``(n_ways, n)``
        1 where the label is dealt. Random ways need not hold the observed one.
    """
    if comb(n, n_labelled) <= MOST_EXACT:
        ways = list(combinations(range(n), n_labelled))
        dealt = np.zeros((len(ways), n))
        rows = np.repeat(np.arange(len(ways)), n_labelled)
        dealt[rows, np.array(ways, dtype=np.int64).ravel()] = 1.0
        return dealt
    generator = np.random.default_rng(_SEED)
    one = np.zeros(n)
    one[:n_labelled] = 1.0
    return generator.permuted(
        np.tile(one, (N_RANDOM if n <= _MANY else _N_RANDOM_OF_MANY, 1)), axis=1
    )


def _split_first(drawn: FloatArray) -> tuple[FloatArray, FloatArray]:
    return np.abs(drawn[1:]), np.abs(drawn[0])


def _centre(differences: FloatArray, *, clip: bool = True) -> FloatArray:
    """Return the differences less their mean, 0 where there is none."""
    used = differences
    if clip and used.shape[0] >= CLIPPED_FROM:
        used = clip_differences(used - np.nanmedian(used, axis=0))
    centred: FloatArray = np.nan_to_num(used - np.nanmean(used, axis=0))
    return centred


def _correlate(dealt: FloatArray, centred: FloatArray, known: BoolArray) -> FloatArray:
    """Return the statistic for each way to deal out, shape ``(n_ways, m)``."""
    sums = dealt @ centred
    counts = dealt @ known.astype(np.float64)
    n = known.sum(axis=0)
    spread = np.sqrt(counts * (n - counts) / n * np.sum(np.square(centred), axis=0))
    standardised: FloatArray = np.divide(
        sums, spread, out=np.zeros_like(sums), where=spread > _NO_SPREAD
    ) * np.sqrt(n - 1)
    return standardised
