"""Each device's own error, from three or more devices and no truth at all."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from tasks.maths.arrays import NO_INTERVAL, BoolArray, FloatArray, Interval
from tasks.maths.autocorrelation import compute_effective_n_with_gaps, estimate_persistence
from tasks.maths.bootstrap import (
    FEWEST_BLOCKS,
    MeanError,
    compute_moving_block_error,
    compute_seen_share,
    count_filled_blocks,
    resample_means,
    sum_blocks,
)

FEWEST_SERIES = 3
_MIN_SAMPLES = 3
_LEAST_SEEN = 0.5  # a correction of more than that would be most of what is given
_LEAST_SHARE_OF_LARGEST = 1e-4


@dataclass(frozen=True, slots=True)
class OwnErrors:
    """Own error standard deviation of each series, with interval and what was wrong.

    ``raw_variances`` may be negative; ``was_negative`` says for which series, and ``sds`` then come
    from the fit that allows none. ``n`` is the number of seconds in which all series had a value.
    All are NaN where the errors keep so long that their spread cannot be told.
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
    rhos: FloatArray | None = None,
    generator: np.random.Generator | None = None,
    n_resamples: int = 500,
    confidence: float = 0.95,
) -> OwnErrors:
    """Estimate the standard deviation of each device's own errors.

    ``series`` is ``(n_seconds, n_devices)`` on one grid, at least three devices; seconds with a
    NaN in any are left out. ``rhos`` are the memories of the differences of all pairs, as
    :func:`estimate_memories` gives them; without them seconds count as independent.
    Formula: var_ij = var(x_i - x_j) = v_i + v_j for all pairs by least squares, each weighed by
    1 / var_ij^2, since a variance is known to a share of itself; for three
    v_1 = (var_12 + var_13 - var_23) / 2 whatever the weights. Constant offsets do not count, so
    that each var_ij is the mean square about the mean / (1 - 1 / n_eff), see
    :func:`_find_seen_shares`.
    With a generator, intervals come from a moving-block bootstrap, see :func:`_spread_variance`.
    *Source*: Gray and Allan 1974, Proceedings of the 28th Symposium on Frequency Control, 243;
    the form for more than three by weighted least squares is common practice; n_eff of Bayley and
    Hammersley 1946, JRSS Supplement 8:184.
    What it does not tell: errors that two devices share (the same delay, the same optical lock on
    cadence) vanish from their difference, are credited to the others, and can turn a variance
    negative. *Raises* ValueError for fewer than three series.
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
        blank = (NO_INTERVAL,) * n_devices
        return OwnErrors(n, unknown, unknown.copy(), (False,) * n_devices, blank)
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
    intervals = (NO_INTERVAL,) * n_devices
    if generator is not None:
        blocks = sum_blocks(squares, length=block_length)
        means = resample_means(blocks, n_resamples=n_resamples, generator=generator)
        n_blocks = count_filled_blocks(blocks) if means.size else 0
        # A memory longer than the blocks is no first-order one, or cannot be separated from them.
        covered = max(compute_seen_share(float(np.max(kept)), block_length), _LEAST_SEEN)
        # Two that show one sensor differ by nothing, and have no relative error.
        pair_errors = np.divide(
            _measure_errors(means, n_blocks, covered),
            pair_variances,
            out=np.zeros(len(pairs)),
            where=pair_variances > 0,
        )
        errors = _measure_errors(means @ solver.T, n_blocks, covered)
        intervals = tuple(
            _spread_variance(
                MeanError(float(fitted[device]), float(errors[device]), n_blocks),
                relative_error=float(
                    np.sqrt(np.mean(np.square(pair_errors[design[:, device] > 0])))
                ),
                confidence=confidence,
            )
            for device in range(n_devices)
        )
    negative = tuple(bool(value < 0) for value in raw)
    return OwnErrors(n, raw, np.sqrt(np.maximum(fitted, 0.0)), negative, intervals)


def estimate_memories(series: FloatArray) -> FloatArray:
    """Give, for each pair of ``series`` in the order of combinations, what its difference keeps.

    ``(n_pairs,)``, of :func:`~tasks.maths.autocorrelation.estimate_persistence`; 0 where two do not
    differ.
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


def _measure_errors(resampled: FloatArray, n_blocks: int, seen_share: float) -> FloatArray:
    """Return the standard error of each column from its resamples; NaN for too few blocks."""
    if n_blocks < FEWEST_BLOCKS:
        return np.full(resampled.shape[1], np.nan)
    errors: FloatArray = np.std(resampled, axis=0) * np.sqrt(n_blocks / (n_blocks - 1) / seen_share)
    return errors


def _spread_variance(found: MeanError, *, relative_error: float, confidence: float) -> Interval:
    """Return the interval of a device's own SD from its variance and the error of that.

    Two things make a variance uncertain. That errors are few makes it so by a share of itself,
    ``relative_error``, which is that of the variances of its pairs: this part is spread on a
    logarithmic scale. What is left of the error comes from the other devices, whatever the size
    of this one: that part is spread evenly. Both reaches add up by their squares (MOVER); the low
    end stops at 0, which says that the device may have no error that can be seen beside the others.
    *Source*: Zou and Donner 2008, Statistics in Medicine 27:1693, for the sum; the parts are our
    own choice, checked by simulation.
    """
    half_width = found.compute_half_width(confidence=confidence)
    if not np.isfinite(half_width) or found.mean <= 0:
        return NO_INTERVAL
    steps = half_width / found.standard_error if found.standard_error > 0 else 0.0
    own = min(relative_error, found.standard_error / found.mean)
    rest = steps * np.sqrt(max(0.0, found.standard_error**2 - (own * found.mean) ** 2))
    below = np.hypot(found.mean * -np.expm1(-steps * own), rest)
    above = np.hypot(found.mean * np.expm1(steps * own), rest)
    return Interval(
        float(np.sqrt(max(0.0, found.mean - below))), float(np.sqrt(found.mean + above))
    )


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
