"""Each device's own error, from three or more devices and no truth at all."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from tasks.maths.autocorrelation import compute_effective_n_with_gaps, estimate_persistence
from tasks.maths.moving_blocks import compute_moving_block_error

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray, FloatArray

FEWEST_SERIES = 3
_MIN_SAMPLES = 3
_LEAST_SEEN = 0.5  # a correction of more than that would be most of what is given
_LEAST_SHARE_OF_LARGEST = 1e-4


@dataclass(frozen=True, slots=True)
class OwnErrors:
    """Own error standard deviation of each series, and what was wrong.

    ``raw_variances`` may be negative; ``was_negative`` says for which series, and ``sds`` then come
    from the fit that allows none. ``n`` is the number of seconds in which all series had a value.
    All are NaN where the errors keep so long that their spread cannot be told.
    """

    n: int
    raw_variances: FloatArray
    sds: FloatArray
    was_negative: tuple[bool, ...]


def estimate_own_errors(
    series: FloatArray,
    *,
    block_length: int,
    rhos: FloatArray | None = None,
) -> OwnErrors:
    """Estimate the standard deviation of each device's own errors.

    Formula: var_ij = var(x_i - x_j) = v_i + v_j for all pairs by least squares, each weighed by 1 /
    var_ij^2, since a variance is known to a share of itself; for three v_1 = (var_12 + var_13 -
    var_23) / 2 whatever the weights. Constant offsets do not count, so that each var_ij is the mean
    square about the mean / (1 - 1 / n_eff), see :func:`_find_seen_shares`. What it does not tell:
    errors that two devices share (the same delay, the same optical lock on cadence) vanish from
    their difference, are credited to the others, and can turn a variance negative.

    Parameters
    ----------
    series
        Values on one grid, shape ``(n_seconds, n_devices)``, at least three devices; seconds with a
        NaN in any are left out.
    block_length
        Length of the blocks that intervals are drawn from [s].
    rhos
        Memories of the differences of all pairs, as :func:`estimate_memories` returns them; without
        them seconds count as independent.

    Returns
    -------
    OwnErrors
        SD of each device's own errors, in the unit of the values.

    Raises
    ------
    ValueError
        For fewer than three series.

    References
    ----------
    Gray and Allan 1974, Proceedings of the 28th Symposium on Frequency Control, 243; the form for
    more than three by weighted least squares is common practice; n_eff of Bayley and Hammersley
    1946, JRSS Supplement 8:184.
    """
    n_devices = series.shape[1]
    if n_devices < FEWEST_SERIES:
        raise ValueError(f"own errors need at least three series, found {n_devices}")
    pairs = list(combinations(range(n_devices), 2))
    differences = np.column_stack([series[:, i] - series[:, j] for i, j in pairs])
    present: BoolArray = np.all(np.isfinite(differences), axis=1)
    n = int(present.sum())
    kept = np.zeros(len(pairs)) if rhos is None else rhos
    seen = _find_seen_shares(differences, present, rhos=kept, block_length=block_length)
    if n < _MIN_SAMPLES or not (seen >= _LEAST_SEEN).all():
        unknown = np.full(n_devices, np.nan)
        return OwnErrors(n, unknown, unknown.copy(), (False,) * n_devices)
    squares = np.square(differences - differences[present].mean(axis=0)) / seen
    pair_variances = squares[present].mean(axis=0)
    design = np.zeros((len(pairs), n_devices))
    for index, (i, j) in enumerate(pairs):
        design[index, [i, j]] = 1.0
    weights = _weigh_pairs(pair_variances)
    solver = np.linalg.pinv(design * weights[:, None]) * weights
    raw: FloatArray = solver @ pair_variances
    fitted = raw
    if (raw < 0).any():
        fitted = _fit_without_negatives(design * weights[:, None], pair_variances * weights)
        # A device is not called perfect because another one's variance was negative.
        fitted = np.where((fitted <= 0) & (raw > 0), raw, fitted)
    negative = tuple(bool(value < 0) for value in raw)
    return OwnErrors(n, raw, np.sqrt(np.maximum(fitted, 0.0)), negative)


def estimate_memories(series: FloatArray) -> FloatArray:
    """Return how much the difference of each pair of series keeps from second to second.

    Parameters
    ----------
    series
        Values on one grid, shape ``(n_seconds, n_devices)``.

    Returns
    -------
    float array ``(n_pairs,)``
        In the order of combinations, by :func:`~tasks.maths.autocorrelation.estimate_persistence`;
        0 where two do not differ.
    """
    pairs = combinations(range(series.shape[1]), 2)
    found = [estimate_persistence(series[:, i] - series[:, j]) for i, j in pairs]
    kept: FloatArray = np.nan_to_num(np.array(found))
    return kept


def _find_seen_shares(
    differences: FloatArray, present: BoolArray, *, rhos: FloatArray, block_length: int
) -> FloatArray:
    """Return the share of each pair's variance that shows about its own mean: 1 - 1 / n_eff.

    n_eff is that of a first-order series, or that which the means of blocks show where it is more:
    the difference from a late device is smooth from second to second, but swings back soon.
    """
    shares = []
    for column, rho in enumerate(rhos):
        worth = max(1.0, compute_effective_n_with_gaps(present, float(rho)))
        difference = np.where(present, differences[:, column], np.nan)
        error = compute_moving_block_error(difference, length=block_length).standard_error
        if error > 0:
            by_blocks = float(np.var(difference[present])) / error**2
            worth = max(worth, min(by_blocks, float(present.sum())))
        shares.append(1 - 1 / worth)
    return np.array(shares)


def _weigh_pairs(pair_variances: FloatArray) -> FloatArray:
    """Return the square roots of the weights; a pair without any difference gets a finite one."""
    largest = float(pair_variances.max())
    if largest <= 0:
        return np.ones(pair_variances.size)
    return largest / np.maximum(pair_variances, _LEAST_SHARE_OF_LARGEST * largest)


def _fit_without_negatives(design: FloatArray, target: FloatArray) -> FloatArray:
    from scipy.optimize import nnls  # noqa: PLC0415 - scipy is slow to import

    fitted: FloatArray = nnls(design, target)[0]
    return fitted
