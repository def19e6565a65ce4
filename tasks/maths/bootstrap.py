"""Intervals for series whose samples are not independent: moving blocks and block means."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tasks.maths.arrays import NAN, NO_INTERVAL, BoolArray, FloatArray, Interval
from tasks.maths.intervals import Scale, spread_interval

FEWEST_BLOCKS = 4

_COLUMNS = 2


@dataclass(frozen=True, slots=True)
class BlockSums:
    """Sums over every run of ``length`` consecutive grid seconds of a series.

    ``sums`` is ``(n_starts, n_columns)``, ``counts`` ``(n_starts,)`` the number of present samples;
    ``n_blocks`` is how many whole blocks the series is worth (floor of grid length over length).
    """

    length: int
    n_blocks: int
    sums: FloatArray
    counts: FloatArray
    total: FloatArray
    total_count: float


def sum_blocks(columns: FloatArray, *, length: int) -> BlockSums:
    """Sum every moving block once, so that a resample costs one look-up per block.

    ``columns`` is ``(n_seconds,)`` or ``(n_seconds, n_columns)`` on an even grid; a second with a
    NaN in any column counts as missing in all. *Raises* ValueError for a length below 1.
    """
    if length < 1:
        raise ValueError(f"a block needs at least one sample, found {length}")
    table = columns[:, None] if columns.ndim < _COLUMNS else columns
    present: BoolArray = np.all(np.isfinite(table), axis=1)
    filled = np.where(present[:, None], table, 0.0)
    n = table.shape[0]
    running = np.vstack([np.zeros((1, table.shape[1])), np.cumsum(filled, axis=0)])
    seen = np.concatenate([[0.0], np.cumsum(present, dtype=np.float64)])
    if n < length:
        sums, counts = np.empty((0, table.shape[1])), np.empty(0)
    else:
        sums, counts = running[length:] - running[:-length], seen[length:] - seen[:-length]
    return BlockSums(length, n // length, sums, counts, running[-1], float(seen[-1]))


def resample_means(
    blocks: BlockSums, *, n_resamples: int, generator: np.random.Generator
) -> FloatArray:
    """Draw moving-block resamples and give the mean of each column in each.

    Returns ``(n_resamples, n_columns)``; resamples that met no present sample are left out. Empty
    if fewer than four blocks fit. *Source*: Kuensch 1989, Annals of Statistics 17:1217.
    """
    n_columns = blocks.sums.shape[1]
    if blocks.n_blocks < FEWEST_BLOCKS:
        return np.empty((0, n_columns))
    starts = generator.integers(0, blocks.counts.size, size=(n_resamples, blocks.n_blocks))
    counts = blocks.counts[starts].sum(axis=1)
    met = counts > 0
    means = np.empty((n_resamples, n_columns))
    for column in range(n_columns):
        means[:, column] = blocks.sums[:, column][starts].sum(axis=1)
    kept: FloatArray = means[met] / counts[met, None]
    return kept


def compute_expanded_interval(
    resampled: FloatArray, *, n_blocks: int, confidence: float = 0.95
) -> Interval:
    """Return the percentile interval of resampled values, widened for the small number of blocks.

    ``resampled`` is ``(n_resamples,)``. The tail is Phi(-sqrt(k / (k - 1)) t_{k - 1}) instead of
    the nominal one, k the number of blocks. *Source*: Hesterberg 2015, American Statistician
    69:371, section 5.3 ("expanded percentile"), applied to blocks.
    """
    from scipy.special import ndtr, stdtrit  # noqa: PLC0415 - scipy is slow to import

    if n_blocks < FEWEST_BLOCKS or not resampled.size:
        return NO_INTERVAL
    quantile = float(stdtrit(n_blocks - 1, 0.5 + confidence / 2))
    tail = float(ndtr(-np.sqrt(n_blocks / (n_blocks - 1)) * quantile))
    low, high = np.quantile(resampled, [tail, 1 - tail])
    return Interval(float(low), float(high))


def bootstrap_interval(
    columns: FloatArray,
    *,
    length: int,
    generator: np.random.Generator,
    statistic: Callable[[FloatArray], FloatArray] | None = None,
    n_resamples: int = 1000,
    confidence: float = 0.95,
) -> Interval:
    """Return a moving-block bootstrap interval for a function of column means.

    ``columns`` is ``(n_seconds,)`` or ``(n_seconds, n_columns)``; ``statistic`` turns means
    ``(n_resamples, n_columns)`` into ``(n_resamples,)`` and is the first column's mean by default
    (for the RMSE: columns = d^2, statistic = its root). Too few blocks give no interval.
    """
    blocks = sum_blocks(columns, length=length)
    means = resample_means(blocks, n_resamples=n_resamples, generator=generator)
    values = statistic(means) if statistic else means[:, 0]
    return compute_expanded_interval(values, n_blocks=blocks.n_blocks, confidence=confidence)


def compute_block_mean_interval(
    values: FloatArray, *, length: int, confidence: float = 0.95
) -> Interval:
    """Return the t interval of the mean from the means of blocks that follow each other.

    ``values`` is ``(n_seconds,)`` on an even grid, NaN where missing; k = floor(n / length) blocks
    share the seconds evenly, each counting by its present samples (ratio form). Fewer than four
    blocks give no interval. Formula: mean +- t_{k-1} sqrt(k / (k - 1) sum r_b^2) / n with
    r_b = sum_b - mean n_b. *Source*: Schmeiser 1982, Operations Research 30:556 (batch means).
    """
    from scipy.special import stdtrit  # noqa: PLC0415 - scipy is slow to import

    k = values.size // length
    present = np.isfinite(values)
    total = float(present.sum())
    if k < FEWEST_BLOCKS or total == 0:
        return NO_INTERVAL
    edges = np.linspace(0, values.size, k + 1).astype(np.int64)[:-1]
    sums = np.add.reduceat(np.where(present, values, 0.0), edges)
    counts = np.add.reduceat(present.astype(np.float64), edges)
    mean = float(sums.sum()) / total
    residuals = sums - mean * counts
    error = float(np.sqrt(k / (k - 1) * (residuals @ residuals))) / total
    half = float(stdtrit(k - 1, 0.5 + confidence / 2)) * error
    return Interval(mean - half, mean + half)


@dataclass(frozen=True, slots=True)
class MeanError:
    """A mean, its standard error, and how many blocks the error was found from.

    The error is NaN where there were too few blocks to say.
    """

    mean: float
    standard_error: float
    n_blocks: int

    def compute_half_width(self, *, confidence: float = 0.95) -> float:
        """Return half the width of the t interval, with one degree of freedom less than blocks."""
        from scipy.special import stdtrit  # noqa: PLC0415 - scipy is slow to import

        if not np.isfinite(self.standard_error):
            return NAN
        return float(stdtrit(self.n_blocks - 1, 0.5 + confidence / 2)) * self.standard_error


def compute_moving_block_error(
    values: FloatArray, *, length: int, lag_one: float = 0.0
) -> MeanError:
    """Return the standard error of the mean from all overlapping blocks; needs no random numbers.

    ``values`` as in :func:`compute_block_mean_interval`. The variance is the one that the
    moving-block bootstrap would reach with endless resamples, times k / (k - 1), divided by the
    share of the long-run variance that blocks of this length see of a first-order autoregressive
    series: 1 - 2 rho (1 - rho^L) / (L (1 - rho^2)), rho = ``lag_one``. k = floor(n / L) for a
    series without gaps; seconds that lie in few places fill few blocks, so that k is then taken
    times (mean c)^2 / mean(c^2), c the present samples of each block. Fewer than four blocks give
    no error.
    *Source*: Meketon and Schmeiser 1984, Proceedings of the Winter Simulation Conference, 227;
    the correction is the variance of a mean of a first-order autoregressive series; the number
    of blocks where they are filled unevenly is the effective number of Kish 1965, Survey Sampling.
    """
    blocks = sum_blocks(values, length=length)
    if blocks.n_blocks < FEWEST_BLOCKS or blocks.total_count == 0:
        return MeanError(NAN, NAN, 0)
    mean = float(blocks.total[0]) / blocks.total_count
    k = count_filled_blocks(blocks)
    if k < FEWEST_BLOCKS:
        return MeanError(mean, NAN, k)
    residuals = blocks.sums[:, 0] - mean * blocks.counts
    # Sums over seconds grow with the number of seconds: from one block to all present ones.
    variance = float(np.mean(np.square(residuals))) / float(np.mean(blocks.counts))
    variance *= k / (k - 1) / compute_seen_share(lag_one, length)
    return MeanError(mean, float(np.sqrt(variance / blocks.total_count)), k)


def count_filled_blocks(blocks: BlockSums) -> int:
    """Return how many evenly filled blocks the present samples are worth; the rule is Kish's."""
    if not blocks.counts.any():
        return 0
    evenness = float(np.square(blocks.counts.mean()) / np.mean(np.square(blocks.counts)))
    return int(blocks.n_blocks * evenness + 1e-9)  # a whole series is worth all of its blocks


def compute_moving_block_interval(
    values: FloatArray,
    *,
    length: int,
    lag_one: float = 0.0,
    confidence: float = 0.95,
    scale: Scale = "plain",
) -> Interval:
    """Return the t interval of the mean from all overlapping blocks; needs no random numbers.

    Arguments as in :func:`compute_moving_block_error`, ``scale`` as in
    :func:`~tasks.maths.intervals.spread_interval`. Fewer than four blocks give no interval.
    """
    error = compute_moving_block_error(values, length=length, lag_one=lag_one)
    return spread_interval(error.mean, error.compute_half_width(confidence=confidence), scale=scale)


def compute_block_correlation(first: FloatArray, second: FloatArray, *, length: int) -> float:
    """Return the correlation of the means of two series, from the sums of all overlapping blocks.

    Both ``(n_seconds,)`` on one even grid, NaN where missing. 0 where a side does not vary.
    """
    blocks = sum_blocks(np.column_stack([first, second]), length=length)
    if blocks.n_blocks < FEWEST_BLOCKS or blocks.total_count == 0:
        return 0.0
    residuals = blocks.sums - np.outer(blocks.counts, blocks.total / blocks.total_count)
    squares = residuals.T @ residuals
    scale = float(np.sqrt(squares[0, 0] * squares[1, 1]))
    return float(np.clip(squares[0, 1] / scale, -1.0, 1.0)) if scale > 0 else 0.0


def compute_seen_share(lag_one: float, length: int) -> float:
    """Return the share of the long-run variance that blocks of ``length`` samples see.

    Of a first-order autoregressive series; formula as in :func:`compute_moving_block_error`.
    """
    rho = min(max(lag_one, 0.0), 0.9999) if np.isfinite(lag_one) else 0.0
    return 1 - 2 * rho * (1 - rho**length) / (length * (1 - rho**2))
