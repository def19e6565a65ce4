"""Whether two series are one quantity seen by two sensors, at an unknown shift of the clocks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tasks.maths.offset import correlate_at_shifts, remove_trend, score_correlation

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray, FloatArray, IntArray

#: Correlation that must be left when slow changes are taken off: warming up looks alike on any day.
_LEAST_R_WITHOUT_TREND = 0.6
#: The best correlation anywhere else must stay below this part of the best one, and the standard
#: errors by which the best must exceed chance: of any second, and where few shifts are possible.
_CLEARLY_LESS, _LEAST_SCORE = 0.6, 6.0
_CLEARLY_LESS_OF_FEW, _LEAST_SCORE_OF_FEW = 0.75, 4.0
#: Parts of the overlap, and the correlation that half of them must reach each by itself: one rise
#: that two runs share, such as warming up, lies in one part only.
_PARTS = 8
#: Part of the variation up to which a difference is little.
_LITTLE = 0.7
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


@dataclass(frozen=True, slots=True)
class FewShifts:
    """Shifts that are possible: within ``within`` of whole multiples of ``step`` [s].

    ``small_error`` is the mean absolute difference, constant taken off, up to which two series of
    this unit are one quantity seen by two sensors; 0 where that is not known.
    """

    step: int
    within: int
    small_error: float = 0.0

    def mark(self, shifts: IntArray) -> BoolArray:
        """Mark the possible ones of ``shifts``."""
        beside = np.abs(shifts - self.step * np.round(shifts / self.step))
        possible: BoolArray = beside <= self.within
        return possible


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
    few: FewShifts | None = None,
) -> Match | None:
    """Find the one shift from ``low`` to ``high`` [s] at which two series are clearly the same.

    All of these must hold over at least ``fewest_pairs`` seconds: correlation ``least_r`` or more;
    0.6 or more after what is slower than ``trend_window`` was taken off, six standard errors from
    chance (independent samples counted by Bartlett's rule); 0.5 or more in half of the overlap's
    parts, each by itself, and 0.6 or more without the quarter of them that speaks most for it; both
    vary by ``least_sd``; and no other shift reaches 0.6 of that correlation. Otherwise None: two
    runs of one plan on one day are not the same run. With ``few`` possible shifts, four standard
    errors and 0.75 are enough; where it is known what two sensors of one heart differ by
    (`FewShifts.small_error`), that decides in the parts' place: the parts of two runs of one plan
    are alike as well.

    Parameters
    ----------
    reference, test
        Per-second series, shapes ``(n,)`` and ``(m,)``, NaN where missing.
    reference_start, test_start
        Second at which each series begins [s].
    low, high
        Range of the shifts that are tried [s].
    trend_window
        What is slower than this is taken off [s].
    least_sd
        Least SD of either series, in their unit.
    least_r
        Least correlation.
    fewest_pairs
        Least number of shared seconds.
    few
        Where only a few shifts are possible: which, and what is enough then; None where any is.

    Returns
    -------
    Match or None
        None where no shift, or more than one, is as clear as that.

    References
    ----------
    Thresholds are own choice, checked by simulation; Bartlett 1946, JRSS Supplement 8:27, for two
    first-order autoregressive series.
    """
    limits = {"low": low, "high": high, "fewest_pairs": fewest_pairs}
    x = remove_trend(reference, window=trend_window)
    y = remove_trend(test, window=trend_window)
    starts = {"reference_start": reference_start, "test_start": test_start}
    quick = correlate_at_shifts(x, y, **starts, **limits)
    varied = (quick.sd_reference >= least_sd) & (quick.sd_test >= least_sd)
    if few is not None:
        varied &= few.mark(quick.shifts)
    r = np.where(varied, quick.r, np.nan)
    if not np.isfinite(r).any():
        return None
    best = int(np.nanargmax(r))
    shift, peak, pairs = int(quick.shifts[best]), float(r[best]), int(quick.pairs[best])
    away = np.abs(quick.shifts - shift) > _PEAK_HALF_WIDTH
    rest = r[away & np.isfinite(r)]
    next_best = float(rest.max()) if rest.size else 0.0
    less = _CLEARLY_LESS if few is None else _CLEARLY_LESS_OF_FEW
    least_score = _LEAST_SCORE if few is None else _LEAST_SCORE_OF_FEW
    if peak < _LEAST_R_WITHOUT_TREND or next_best > less * peak:
        return None
    if not score_correlation(peak, x, y, pairs=pairs) >= least_score:
        return None
    lead = shift + test_start - reference_start
    parts = _cut_parts(x, y, lead=lead)
    is_same = (
        few is not None
        and _measure_error(reference, test, lead=lead) <= few.small_error
        and _differs_little(_cut_parts(reference, test, lead=lead))
    )
    # Two runs of one plan are alike throughout as well: where it is known how little two sensors
    # differ, that decides alone.
    is_told_by_error = few is not None and few.small_error > 0
    if not is_same and (is_told_by_error or not _is_alike_throughout(parts)):
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


def _measure_error(reference: FloatArray, test: FloatArray, *, lead: int) -> float:
    """Return the mean absolute difference over the overlap, its median taken off."""
    first, last = max(0, lead), min(reference.size, test.size + lead)
    difference = reference[first:last] - test[first - lead : last - lead]
    known = difference[np.isfinite(difference)]
    return float(np.mean(np.abs(known - np.median(known)))) if known.size else np.inf


def _differs_little(parts: list[tuple[FloatArray, FloatArray]]) -> bool:
    """Say whether the two differ in most parts by much less than they vary there themselves."""
    shares = [
        float(np.mean(np.abs(one - other)) / max(float(np.mean(np.abs(one))), 1e-9))
        for one, other in parts
    ]
    return bool(shares) and float(np.median(shares)) <= _LITTLE


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
