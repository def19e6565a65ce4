"""How far the samples of a series repeat each other, and how many independent ones they equal."""

from __future__ import annotations

import numpy as np

from tasks.maths.arrays import NAN, FloatArray

SHORTEST_BLOCK_S = 150  # 2.5 minutes
_BLOCKS_PER_MEMORY = 4.0
_FEWEST_BLOCKS = 6
_MIN_SAMPLES = 3


def compute_lag_one_autocorrelation(values: FloatArray) -> float:
    """Give the autocorrelation of a series with itself one sample later.

    ``values`` is ``(n_samples,)`` on an even grid; NaN marks gaps, and pairs across them are left
    out of the numerator. Fewer than three values, or no variation, give NaN.
    Formula: sum((y_i - m)(y_{i+1} - m)) / sum((y_i - m)^2), m the mean of all.
    *Source*: NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.12.
    """
    present = np.isfinite(values)
    n = int(present.sum())
    if n < _MIN_SAMPLES:
        return NAN
    centred = np.where(present, values - values[present].mean(), 0.0)
    below = float(centred @ centred)
    if below <= 0:
        return NAN
    above = float(centred[:-1] @ centred[1:])
    n_pairs = int((present[:-1] & present[1:]).sum())
    # Gaps remove products but no squares: bring the sum back to the n - 1 pairs of a whole series.
    whole = above * (n - 1) / n_pairs if n_pairs else NAN
    return whole / below


def compute_effective_n(n: int, lag_one: float) -> float:
    """Give the number of independent samples that n autocorrelated ones are worth for a mean.

    Formula for a first-order autoregressive series: n (1 - rho) / (1 + rho), at least 1 and at
    most n (negative rho is not taken as a gain). Unknown rho counts as 0 only for n < 3.
    *Source*: Bayley and Hammersley 1946, JRSS Supplement 8:184, in the first-order form that is
    common practice.
    """
    if n <= 0:
        return 0.0
    if not np.isfinite(lag_one):
        return float(n) if n < _MIN_SAMPLES else NAN
    rho = min(max(lag_one, 0.0), 1.0 - 1e-9)
    return max(1.0, n * (1 - rho) / (1 + rho))


def choose_block_length(n: int, lag_one: float, *, shortest: int = SHORTEST_BLOCK_S) -> int:
    """Give the block length, in samples, for block means and the moving-block bootstrap.

    Four times the memory (1 + rho) / (1 - rho), at least ``shortest``, but never so long that
    fewer than six blocks remain, and then no shorter than ``shortest``. *Source*: own choice,
    checked by simulation (coverage of a nominal 95 % interval on first-order autoregressive errors
    with rho 0.97); common practice is 3 to 5 times the memory.
    """
    rho = min(max(lag_one, 0.0), 1.0 - 1e-9) if np.isfinite(lag_one) else 0.0
    wanted = int(np.ceil(_BLOCKS_PER_MEMORY * (1 + rho) / (1 - rho)))
    return max(shortest, min(wanted, n // _FEWEST_BLOCKS))
