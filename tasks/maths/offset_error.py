"""How well a clock offset is known that two series of one quantity give."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tasks.maths.arrays import NAN, FloatArray

#: Half of the step over which the slope and the bend of the cross-covariance are taken [s]: wide
#: enough that noise from second to second is not taken for a sharp peak. Own choice by simulation.
_STEP_S = 4
#: Blocks from whose differences the error is estimated, their shortest length [s] and least number.
_BLOCKS = 10
_SHORTEST_BLOCK_S = 75
_FEWEST_BLOCKS = 4
#: Lags up to this part of the series count as its memory.
_MEMORY_SHARE = 4


@dataclass(frozen=True, slots=True)
class ShiftedPairs:
    """Two series on the seconds that they share at a shift, less their means; 0 where missing.

    ``earlier`` and ``later`` are the test moved back and forth by a few seconds.
    """

    reference: FloatArray
    test: FloatArray
    earlier: FloatArray
    later: FloatArray


def count_independent_pairs(one: FloatArray, other: FloatArray, *, pairs: int) -> float:
    """Return how many independent pairs ``pairs`` autocorrelated ones are worth for a correlation.

    Parameters
    ----------
    one, other
        Series ``(n,)`` and ``(m,)`` on an even grid, NaN where missing.
    pairs
        Number of seconds that were compared.

    Returns
    -------
    float
        n / (1 + 2 sum((1 - k / n) r_k q_k)), r and q the autocorrelations of the two series at
        lags k up to a quarter of the shorter one; at least 1 and at most ``pairs``.

    References
    ----------
    Bartlett 1946, JRSS Supplement 8:27, whole sum: series whose slow changes were taken off have
    negative autocorrelation, which a first-order model does not see.
    """
    lags = min(one.size, other.size) // _MEMORY_SHARE
    if pairs < 1 or lags < 1:
        return float(max(pairs, 0))
    product = _autocorrelate(one, lags) * _autocorrelate(other, lags)
    weights = np.clip(1 - np.arange(1, lags + 1) / pairs, 0.0, None)
    memory = 1 + 2 * float(weights @ product)
    return float(np.clip(pairs / max(memory, 1e-9), 1.0, pairs))


def estimate_offset_error(reference: FloatArray, test: FloatArray, *, lead: int) -> float:
    """Return the standard error of the shift at which two series agree best [s].

    Parameters
    ----------
    reference, test
        Series ``(n,)`` and ``(m,)``, one value a second, slow changes taken off, NaN where missing.
    lead
        Seconds by which the test's array begins after the reference's once it is shifted.

    Returns
    -------
    float
        Standard error [s]; NaN with fewer than four blocks of 75 s, or without a peak there.
        With c the cross-covariance and g its slope, the shift is off by -g / c''; the error of g
        comes from the sums of ten blocks (delta method), slope and bend from 4 s to either side.

    References
    ----------
    Own form of the delta method; blocks as in Kuensch 1989, Annals of Statistics 17:1217. Checked
    by simulation (`tests/unit/maths/test_offset_error.py`).
    """
    pairs = _shift(reference, test, lead=lead)
    if pairs is None:
        return NAN
    square = float(pairs.test @ pairs.test)
    covariance = float(pairs.reference @ pairs.test)
    if square <= 0 or covariance <= 0:
        return NAN
    factor = covariance / square
    rest = pairs.reference - factor * pairs.test
    slopes = factor * rest * (pairs.earlier - pairs.later) / (2 * _STEP_S)
    beside = float(pairs.reference @ pairs.earlier) + float(pairs.reference @ pairs.later)
    bend = factor * (2 * covariance - beside) / _STEP_S**2
    n_blocks = min(_BLOCKS, slopes.size // _SHORTEST_BLOCK_S)
    if n_blocks < _FEWEST_BLOCKS or bend <= 0:
        return NAN
    sums = np.array([float(block.sum()) for block in np.array_split(slopes, n_blocks)])
    return float(np.sqrt(n_blocks * np.var(sums, ddof=1))) / bend


def _shift(reference: FloatArray, test: FloatArray, *, lead: int) -> ShiftedPairs | None:
    first = max(0, lead + _STEP_S)
    last = min(reference.size, test.size + lead - _STEP_S)
    if last - first < _FEWEST_BLOCKS * _SHORTEST_BLOCK_S:
        return None
    parts = [
        reference[first:last],
        *(test[first - lead + step : last - lead + step] for step in (0, _STEP_S, -_STEP_S)),
    ]
    known = np.isfinite(parts).all(axis=0)
    if not known.any():
        return None
    centred = [np.where(known, part - part[known].mean(), 0.0) for part in parts]
    return ShiftedPairs(*centred)


def _autocorrelate(values: FloatArray, lags: int) -> FloatArray:
    """Return the autocorrelations ``(lags,)`` at lags 1, 2, ...; 0 for a series that is flat."""
    known = np.isfinite(values)
    if not known.any():
        return np.zeros(lags)
    centred = np.where(known, values - values[known].mean(), 0.0)
    size = 1 << (2 * centred.size - 1).bit_length()
    spectrum = np.fft.rfft(centred, size)
    sums = np.fft.irfft(spectrum * np.conj(spectrum), size)[: lags + 1]
    return sums[1:] / sums[0] if sums[0] > 0 else np.zeros(lags)
