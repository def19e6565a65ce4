"""Each device's own error, from three or more devices and no truth at all."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from tasks.maths.arrays import NO_INTERVAL, FloatArray, Interval
from tasks.maths.bootstrap import compute_expanded_interval, resample_means, sum_blocks

FEWEST_SERIES = 3
_MIN_SAMPLES = 3
_LEAST_SHARE_OF_LARGEST = 1e-4


@dataclass(frozen=True, slots=True)
class OwnErrors:
    """Own error standard deviation of each series, with interval and what was wrong.

    ``raw_variances`` may be negative; ``was_negative`` says for which series, and ``sds`` then come
    from the fit that allows none. ``n`` is the number of seconds in which all series had a value.
    """

    n: int
    raw_variances: FloatArray
    sds: FloatArray
    was_negative: tuple[bool, ...]
    intervals: tuple[Interval, ...]


def estimate_own_errors(
    series: FloatArray,
    *,
    block_length: int,
    generator: np.random.Generator | None = None,
    n_resamples: int = 500,
    confidence: float = 0.95,
) -> OwnErrors:
    """Estimate the standard deviation of each device's own errors.

    ``series`` is ``(n_seconds, n_devices)`` on one grid, at least three devices; seconds with a
    NaN in any are left out. With a generator, intervals come from a moving-block bootstrap.
    Formula: var_ij = var(x_i - x_j) = v_i + v_j for all pairs by least squares, each weighed by
    1 / var_ij^2, since a variance is known to a share of itself; for three
    v_1 = (var_12 + var_13 - var_23) / 2 whatever the weights. Constant offsets do not count.
    *Source*: Gray and Allan 1974, Proceedings of the 28th Symposium on Frequency Control, 243;
    the form for more than three by weighted least squares is common practice.
    What it does not tell: errors that two devices share (the same delay, the same optical lock on
    cadence) vanish from their difference, are credited to the others, and can turn a variance
    negative. *Raises* ValueError for fewer than three series.
    """
    n_devices = series.shape[1]
    if n_devices < FEWEST_SERIES:
        raise ValueError(f"own errors need at least three series, found {n_devices}")
    pairs = list(combinations(range(n_devices), 2))
    differences = np.column_stack([series[:, i] - series[:, j] for i, j in pairs])
    present = np.isfinite(differences).all(axis=1)
    n = int(present.sum())
    if n < _MIN_SAMPLES:
        unknown = np.full(n_devices, np.nan)
        blank = (NO_INTERVAL,) * n_devices
        return OwnErrors(n, unknown, unknown.copy(), (False,) * n_devices, blank)
    centred = differences - differences[present].mean(axis=0)
    pair_variances = np.var(differences[present], axis=0, ddof=1)
    design = np.zeros((len(pairs), n_devices))
    for index, (i, j) in enumerate(pairs):
        design[index, [i, j]] = 1.0
    weights = _weigh_pairs(pair_variances)
    solver = np.linalg.pinv(design * weights[:, None]) * weights
    raw: FloatArray = solver @ pair_variances
    fitted = raw
    if (raw < 0).any():
        fitted = _fit_without_negatives(design * weights[:, None], pair_variances * weights)
    intervals = (NO_INTERVAL,) * n_devices
    if generator is not None:
        squares = np.hstack([centred, np.square(centred)])
        blocks = sum_blocks(squares, length=block_length)
        means = resample_means(blocks, n_resamples=n_resamples, generator=generator)
        resampled = means[:, len(pairs) :] - np.square(means[:, : len(pairs)])
        split = np.maximum(resampled @ solver.T, 0.0)
        intervals = tuple(
            compute_expanded_interval(
                np.sqrt(split[:, device]), n_blocks=blocks.n_blocks, confidence=confidence
            )
            for device in range(n_devices)
        )
    negative = tuple(bool(value < 0) for value in raw)
    return OwnErrors(n, raw, np.sqrt(np.maximum(fitted, 0.0)), negative, intervals)


def _weigh_pairs(pair_variances: FloatArray) -> FloatArray:
    """Give the square roots of the weights; a pair without any difference gets a finite one."""
    largest = float(pair_variances.max())
    if largest <= 0:
        return np.ones(pair_variances.size)
    return largest / np.maximum(pair_variances, _LEAST_SHARE_OF_LARGEST * largest)


def _fit_without_negatives(design: FloatArray, target: FloatArray) -> FloatArray:
    from scipy.optimize import nnls  # noqa: PLC0415 - scipy is slow to import

    fitted: FloatArray = nnls(design, target)[0]
    return fitted
