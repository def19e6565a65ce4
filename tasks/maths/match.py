"""Whether two series are one quantity seen by two sensors, at an unknown shift of the clocks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tasks.maths.autocorrelation import compute_effective_n, compute_lag_one_autocorrelation
from tasks.maths.offset import correlate_at_shifts, remove_trend

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray

#: Correlation that must be left when slow changes are taken off: warming up looks alike on any day.
_LEAST_R_WITHOUT_TREND = 0.6
#: The best correlation anywhere else must stay below this part of the best one.
_CLEARLY_LESS = 0.6
#: Standard errors by which the correlation must exceed chance.
_LEAST_SCORE = 6.0
#: Shifts this near to the best one belong to its peak [s].
_PEAK_HALF_WIDTH = 60


@dataclass(frozen=True, slots=True)
class Match:
    """The shift of the test at which it matches the reference [s], and how well it does.

    ``r`` is the correlation there, ``r_without_trend`` that of the quick changes alone,
    ``next_best`` the highest one of these at any other shift, ``pairs`` the seconds compared.
    """

    shift: int
    r: float
    r_without_trend: float
    next_best: float
    pairs: int


def find_match(
    reference: FloatArray,
    test: FloatArray,
    *,
    reference_start: int,
    test_start: int,
    low: int,
    high: int,
    trend_window: int,
    least_sd: float,
    least_r: float,
    fewest_pairs: int,
) -> Match | None:
    """Find the one shift from ``low`` to ``high`` [s] at which two series are clearly the same.

    Per-second series ``(n,)`` and ``(m,)``, NaN where missing. All of these must hold over at
    least ``fewest_pairs`` seconds: correlation ``least_r`` or more; 0.6 or more after what is
    slower than ``trend_window`` was taken off, six standard errors from chance (independent
    samples counted by Bartlett's rule); both vary by ``least_sd``; and no other shift reaches 0.6
    of that correlation. Otherwise None: two runs of one plan on one day are not the same run.
    *Source*: thresholds are own choice, checked by simulation; Bartlett 1946, JRSS Supplement 8:27,
    for two first-order autoregressive series.
    """
    limits = {"low": low, "high": high, "fewest_pairs": fewest_pairs}
    x = remove_trend(reference, window=trend_window)
    y = remove_trend(test, window=trend_window)
    starts = {"reference_start": reference_start, "test_start": test_start}
    quick = correlate_at_shifts(x, y, **starts, **limits)
    varied = (quick.sd_reference >= least_sd) & (quick.sd_test >= least_sd)
    r = np.where(varied, quick.r, np.nan)
    if not np.isfinite(r).any():
        return None
    best = int(np.nanargmax(r))
    shift, peak, pairs = int(quick.shifts[best]), float(r[best]), int(quick.pairs[best])
    away = np.abs(quick.shifts - shift) > _PEAK_HALF_WIDTH
    rest = r[away & np.isfinite(r)]
    next_best = float(rest.max()) if rest.size else 0.0
    if peak < _LEAST_R_WITHOUT_TREND or next_best > _CLEARLY_LESS * peak:
        return None
    rho = compute_lag_one_autocorrelation(x) * compute_lag_one_autocorrelation(y)
    score = np.arctanh(min(peak, 0.9999)) * np.sqrt(max(compute_effective_n(pairs, rho) - 3, 0.0))
    if not score >= _LEAST_SCORE:
        return None
    limits.update(low=shift, high=shift)
    whole = correlate_at_shifts(reference, test, **starts, **limits)
    if not whole.r[0] >= least_r:
        return None
    return Match(shift, float(whole.r[0]), peak, next_best, pairs)
