"""Heart rate per second from the beats of one recording."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.maths.arrays import NAN
from tasks.maths.rr import compute_heart_rate_on_grid, correct_beats

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray

_MILLISECONDS: Final = 1000.0
#: Intervals of a heart [s]; what is up to twice as far off may be corrected into one.
_SHORTEST_RR_S, _LONGEST_RR_S = 0.25, 3.0
_STREAM_BREAK_S: Final = 1.0
#: Decimals of the rates [bpm]: far finer than any heart rate is known, and every copy of a value
#: (table, page, package) is the same number.
_DECIMALS: Final = 2


@dataclass(frozen=True, slots=True)
class BeatRate:
    """Heart rate per second `(n_grid,)` [bpm], NaN where beats are missing.

    `share_corrected_pct` is that of corrected intervals, NaN where there was none.
    """

    values: FloatArray
    share_corrected_pct: float


def derive_heart_rate(
    at_s: FloatArray, rr_s: FloatArray, grid_s: FloatArray, *, window_s: float
) -> BeatRate:
    """Return the heart rate at grid seconds from beats, artefacts corrected, to 0.01 bpm.

    Parameters
    ----------
    at_s
        Times of the beats in order, shape ``(n_beats,)`` [s].
    rr_s
        Interval that ended with each beat, shape ``(n_beats,)`` [s].
    grid_s
        Seconds that are asked for, shape ``(n_grid,)`` [s].
    window_s
        Width of the centred window [s].

    Returns
    -------
    BeatRate
        Heart rates, shape ``(n_grid,)`` [bpm], with the numbers of corrected beats.

    References
    ----------
    Artefacts as `maths.rr.find_beat_artefacts`, the window as
    `maths.rr.compute_heart_rate_on_grid`.
    """
    usable = np.isfinite(at_s) & (rr_s >= _SHORTEST_RR_S / 2) & (rr_s <= 2 * _LONGEST_RR_S)
    at_s, rr_s = at_s[usable], rr_s[usable]
    if not at_s.size:
        return BeatRate(np.full(grid_s.shape, NAN), NAN)
    beat_s, corrected_ms, n_corrected = _correct_streams(at_s, rr_s)
    rates = compute_heart_rate_on_grid(
        beat_s, corrected_ms, grid_s, window_s=window_s, max_rr_ms=_LONGEST_RR_S * _MILLISECONDS
    )
    return BeatRate(np.round(rates, _DECIMALS), 100.0 * n_corrected / at_s.size)


def _correct_streams(at_s: FloatArray, rr_s: FloatArray) -> tuple[FloatArray, FloatArray, int]:
    """Correct each unbroken stream of beats; returns times [s], intervals [ms], corrections."""
    breaks = np.flatnonzero(np.abs(np.diff(at_s) - rr_s[1:]) > _STREAM_BREAK_S) + 1
    times, intervals, n_corrected = [], [], 0
    for stream_at, stream_rr in zip(np.split(at_s, breaks), np.split(rr_s, breaks), strict=True):
        corrected = correct_beats(stream_rr * _MILLISECONDS)
        summed = np.cumsum(stream_rr)
        # The recorded times may drift against the sum of the intervals: follow them.
        drift = np.interp(corrected.beat_ms / _MILLISECONDS, summed, stream_at - summed)
        times.append(corrected.beat_ms / _MILLISECONDS + drift)
        intervals.append(corrected.rr_ms)
        n_corrected += corrected.n_corrected
    joined = np.maximum.accumulate(np.concatenate(times))
    return joined, np.concatenate(intervals), n_corrected
