"""Whether two series are one quantity seen by two sensors, at an unknown shift of the clocks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tasks.maths.offset import correlate_at_shifts, remove_trend, score_correlation

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray

#: Correlation that must be left when slow changes are taken off: warming up looks alike on any day.
_LEAST_R_WITHOUT_TREND = 0.6
#: The best correlation anywhere else must stay below this part of the best one.
_CLEARLY_LESS = 0.6
#: Standard errors by which the correlation must exceed chance.
_LEAST_SCORE = 6.0
#: Parts of the overlap, and the correlation that half of them must reach each by itself: one rise
#: that two runs share, such as warming up, lies in one part only.
_PARTS = 8
_SHORTEST_PART = 75
_LEAST_R_OF_PARTS = 0.5
_FEWEST_PARTS = 4
#: What must be left without the quarter of the parts that speaks most for the match.
_LEAST_R_OF_REST = 0.6
_LEAST_SCORE_OF_REST = 3.0
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
    samples counted by Bartlett's rule); 0.5 or more in half of the overlap's parts, each by
    itself, and 0.6 or more without the quarter of them that speaks most for it; both vary by
    ``least_sd``; and no other shift reaches 0.6 of that correlation. Otherwise None: two runs of
    one plan on one day are not the same run.
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
    if not score_correlation(peak, x, y, pairs=pairs) >= _LEAST_SCORE:
        return None
    parts = _cut_parts(x, y, lead=shift + test_start - reference_start)
    if not _is_alike_throughout(parts):
        return None
    limits.update(low=shift, high=shift)
    whole = correlate_at_shifts(reference, test, **starts, **limits)
    if not whole.r[0] >= least_r:
        return None
    return Match(shift, float(whole.r[0]), peak, next_best, pairs)


def _cut_parts(
    reference: FloatArray, test: FloatArray, *, lead: int
) -> list[tuple[FloatArray, FloatArray]]:
    """Return the overlap in parts, a straight line taken off each.

    The test's array begins ``lead`` seconds after the reference's.
    """
    first, last = max(0, lead), min(reference.size, test.size + lead)
    x, y = reference[first:last], test[first - lead : last - lead]
    both = np.isfinite(x) & np.isfinite(y)
    x, y = x[both], y[both]
    n_parts = min(_PARTS, x.size // _SHORTEST_PART)
    if n_parts < _FEWEST_PARTS:
        return []
    return [
        (_take_line_off(one), _take_line_off(other))
        for one, other in zip(np.array_split(x, n_parts), np.array_split(y, n_parts), strict=True)
    ]


def _is_alike_throughout(parts: list[tuple[FloatArray, FloatArray]]) -> bool:
    """Say whether the likeness is left when the parts that speak most for it are taken away."""
    if not parts:
        return False
    covariances = np.array([float(one @ other) for one, other in parts])
    sizes = np.array([np.sqrt(float(one @ one) * float(other @ other)) for one, other in parts])
    single = np.divide(covariances, sizes, out=np.zeros(len(parts)), where=sizes > 0)
    if float(np.median(single)) < _LEAST_R_OF_PARTS:
        return False
    kept = np.argsort(covariances)[: len(parts) - max(1, len(parts) // 4)]
    one = np.concatenate([parts[index][0] for index in kept])
    other = np.concatenate([parts[index][1] for index in kept])
    size = np.sqrt(float(one @ one) * float(other @ other))
    r = float(one @ other) / size if size > 0 else 0.0
    score = score_correlation(r, one, other, pairs=one.size)
    return r >= _LEAST_R_OF_REST and score >= _LEAST_SCORE_OF_REST


def _take_line_off(values: FloatArray) -> FloatArray:
    at = np.arange(values.size) - (values.size - 1) / 2
    centred = values - values.mean()
    left: FloatArray = centred - at * float(at @ centred) / float(at @ at)
    return left
