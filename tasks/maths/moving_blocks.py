"""Standard errors of means of series whose samples are not independent, from moving blocks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tasks.maths.arrays import NAN, BoolArray, FloatArray

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
    """Sum every moving block once.

    Parameters
    ----------
    columns
        Shape ``(n_seconds,)`` or ``(n_seconds, n_columns)`` on an even grid; a second with a NaN
        in any column counts as missing in all.
    length
        Seconds in a block.

    Returns
    -------
    BlockSums
        Sums and numbers of present seconds of every block.

    Raises
    ------
    ValueError
        The length is below 1.
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
    """Return the standard error of the mean from all overlapping blocks.

    Parameters
    ----------
    values
        Shape ``(n_seconds,)`` on an even grid; NaN marks gaps.
    length
        Seconds in a block.
    lag_one
        Autocorrelation of neighbours.

    Returns
    -------
    MeanError
        In the unit of the values; no error for fewer than four blocks. No random numbers are
        needed.

    Notes
    -----
    The variance is the one that the moving-block bootstrap would reach with endless resamples,
    times k / (k - 1), divided by the share of the long-run variance that blocks of this length see
    of a first-order autoregressive series: 1 - 2 rho (1 - rho^L) / (L (1 - rho^2)), rho =
    ``lag_one``. k = floor(n / L) for a series without gaps; seconds that lie in few places fill
    few blocks, so that k is then taken times (mean c)^2 / mean(c^2), c the present samples of each
    block.

    References
    ----------
    Meketon and Schmeiser 1984, Proceedings of the Winter Simulation Conference, 227; the
    correction is the variance of a mean of a first-order autoregressive series; the number of
    blocks where they are filled unevenly is the effective number of Kish 1965, Survey Sampling.
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
    """Return how many evenly filled blocks the present samples are worth.

    Parameters
    ----------
    blocks
        Sums of :func:`sum_blocks`.

    Returns
    -------
    int
        0 for none.

    References
    ----------
    The effective number of Kish 1965, Survey Sampling.
    """
    if not blocks.counts.any():
        return 0
    evenness = float(np.square(blocks.counts.mean()) / np.mean(np.square(blocks.counts)))
    return int(blocks.n_blocks * evenness + 1e-9)  # a whole series is worth all of its blocks


def compute_seen_share(lag_one: float, length: int) -> float:
    """Return the share of the long-run variance that blocks see.

    Parameters
    ----------
    lag_one
        Autocorrelation of neighbours of a first-order autoregressive series.
    length
        Samples in a block.

    Returns
    -------
    float
        Between 0 and 1; formula as in :func:`compute_moving_block_error`.
    """
    rho = min(max(lag_one, 0.0), 0.9999) if np.isfinite(lag_one) else 0.0
    return 1 - 2 * rho * (1 - rho**length) / (length * (1 - rho**2))
