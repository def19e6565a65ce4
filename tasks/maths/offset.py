"""How far one clock is off another: correlation at every shift, and distance between tracks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tasks.maths.arrays import NAN, BoolArray, FloatArray, IntArray
from tasks.maths.offset_error import count_independent_pairs, estimate_offset_error
from tasks.maths.smoothing import compute_running_mean

#: A peak that is wider than this at half its height tells the offset less surely [s].
_SHARP_HALF_WIDTH = 30
#: Standardised series that vary less than this do not vary.
_FLAT = 1e-6
_NEARLY_ONE = 0.9999
#: Standard errors from chance at which a peak says nothing, and from which it counts in full. The
#: highest of some hundred correlations that resemble their neighbours lies two to three above
#: chance by itself. Own choice by simulation: no false offset in 180 pairs of unlike workouts.
_CHANCE_SCORE, _SURE_SCORE = 2.5, 4.0
#: Distance between the best and the second-best peak from which they are told apart for sure.
_CLEAR_DISTANCE = 0.2
_FEWEST_PAIRS = 60
_NEIGHBOURS = 3
_TRACK_PLACES = 2000
_TRACK_PARTS = 8
_PARABOLA_HALF_WIDTH = 15


@dataclass(frozen=True, slots=True)
class Correlations:
    """Pearson correlations at whole-second shifts.

    ``shifts`` is what is added to the test's times [s]; ``r`` the correlation over the ``pairs``
    seconds that both then have, NaN where those are too few or one of them does not vary.
    ``sd_reference`` and ``sd_test`` are the standard deviations over these seconds.
    """

    shifts: IntArray
    r: FloatArray
    pairs: IntArray
    sd_reference: FloatArray
    sd_test: FloatArray


@dataclass(frozen=True, slots=True)
class Offset:
    """What must be added to the test's times [s], and how sure that is.

    ``peak`` is the correlation there, ``second`` the best one elsewhere, ``pairs`` the seconds
    compared; ``confidence`` runs from 0 to 1; ``standard_error_s`` is NaN where it is unknown.
    """

    offset_s: float
    standard_error_s: float
    confidence: float
    peak: float
    second: float
    pairs: int


def correlate_at_shifts(
    reference: FloatArray,
    test: FloatArray,
    *,
    reference_start: int,
    test_start: int,
    low: int,
    high: int,
    fewest_pairs: int = _FEWEST_PAIRS,
) -> Correlations:
    """Correlate two per-second series at each shift of the test from ``low`` to ``high`` [s].

    Every shift uses all seconds that both then have. Six correlations by fast Fourier transform:
    hours of shifts cost milliseconds. Formula: Pearson's r over the pairs (reference(t), test(t -
    shift)).

    Parameters
    ----------
    reference, test
        Per-second series, shapes ``(n,)`` and ``(m,)``, NaN where missing.
    reference_start, test_start
        Second at which each series begins [s].
    low, high
        Range of the shifts of the test [s].
    fewest_pairs
        Shifts with fewer shared seconds have no correlation.

    Returns
    -------
    Correlations
        Pearson's r and number of pairs by shift.
    """
    shifts = np.arange(low, high + 1, dtype=np.int64)
    nothing = np.full(shifts.size, NAN)
    here, there = np.isfinite(reference), np.isfinite(test)
    if not here.any() or not there.any():
        zeros = np.zeros(shifts.size, dtype=np.int64)
        return Correlations(shifts, nothing, zeros, nothing, nothing)
    # Centring and scaling first keeps the differences of sums exact.
    x, scale_x = _standardise(reference, here)
    y, scale_y = _standardise(test, there)
    n_reference, n_test = reference.size, test.size
    places = shifts + (test_start - reference_start) + n_test - 1
    size = _find_fast_size(n_reference + n_test)
    reference_parts = [np.fft.rfft(part, size) for part in (here.astype(float), x, x * x)]
    test_parts = [np.fft.rfft(part[::-1], size) for part in (there.astype(float), y, y * y)]
    inside = (places >= 0) & (places < n_reference + n_test - 1)

    def at_shifts(first: int, second: int) -> FloatArray:
        products = np.fft.irfft(reference_parts[first] * test_parts[second], size)
        values = np.zeros(shifts.size)
        values[inside] = products[places[inside]]
        return values

    pairs = np.rint(at_shifts(0, 0)).astype(np.int64)
    n = np.maximum(pairs, 1)
    mean_x, mean_y = at_shifts(1, 0) / n, at_shifts(0, 1) / n
    covariance = at_shifts(1, 1) / n - mean_x * mean_y
    sd_x = np.sqrt(np.maximum(at_shifts(2, 0) / n - mean_x**2, 0.0))
    sd_y = np.sqrt(np.maximum(at_shifts(0, 2) / n - mean_y**2, 0.0))
    usable = (pairs >= max(fewest_pairs, 2)) & (sd_x > _FLAT) & (sd_y > _FLAT)
    r = np.full(shifts.size, NAN)
    r[usable] = np.clip(covariance[usable] / (sd_x[usable] * sd_y[usable]), -1.0, 1.0)
    return Correlations(shifts, r, pairs, sd_x * scale_x, sd_y * scale_y)


def estimate_offset(
    reference: FloatArray,
    test: FloatArray,
    *,
    reference_start: int,
    test_start: int,
    max_offset: int,
    trend_window: int,
    least_sd: float,
) -> Offset | None:
    """Find the clock offset at which two per-second series of one quantity agree best.

    Slow changes (slower than ``trend_window`` [s]) are taken off first: they fit at any shift.
    Every shift uses the same seconds of the reference (equal overlap), so that no shift wins by
    what it leaves out; recordings too short for ``max_offset`` are tried at smaller shifts only. A
    parabola through the peak gives tenths of seconds.

    The confidence is the height of the peak, less where another peak is nearly as high, where it is
    wide, or where chance could make it: peak x min(1, (peak - second) / 0.2) x min(1, 60 s / width
    at half height) x (score - 2.5) / 1.5 within 0 to 1, score as in `score_correlation`. The
    standard error is that of `estimate_offset_error`. What they do not tell: a device that shows
    its values late is taken for one whose clock is late.

    Parameters
    ----------
    reference, test
        Per-second series of one quantity, shapes ``(n,)`` and ``(m,)``, NaN where missing.
    reference_start, test_start
        Second at which each series begins [s].
    max_offset
        Largest shift that is tried, to either side [s].
    trend_window
        What is slower than this is taken off first [s].
    least_sd
        Least SD of either series after that, in their unit.

    Returns
    -------
    Offset or None
        The shift with confidence and standard error; None where either does not vary by
        ``least_sd``, the overlap is under two minutes, or the best shift is the last one tried and
        so no maximum.
    """
    low = max(reference_start, test_start)
    high = min(reference_start + reference.size, test_start + test.size)
    reach = min(max_offset, (high - low - 2 * _FEWEST_PAIRS) // 2)
    if reach < _NEIGHBOURS:
        return None
    x = remove_trend(reference, window=trend_window)
    y = remove_trend(test, window=trend_window)
    # Seconds of the reference for which every shifted test second exists.
    first = max(reference_start, test_start + reach)
    last = min(reference_start + reference.size, test_start + test.size - reach)
    window = x[first - reference_start : last - reference_start]
    found = correlate_at_shifts(
        window, y, reference_start=first, test_start=test_start, low=-reach, high=reach
    )
    enough = (found.sd_reference >= least_sd) & (found.sd_test >= least_sd)
    r = np.where(enough, found.r, NAN)
    if not np.isfinite(r).any():
        return None
    best = int(np.nanargmax(r))
    if best in {0, r.size - 1} or not np.isfinite(r[best - 1 : best + 2]).all():
        return None
    first_of_peak, last_of_peak = _find_lobe(r, best)
    others = np.concatenate([r[:first_of_peak], r[last_of_peak + 1 :]])
    others = others[np.isfinite(others)]
    peak, second = float(r[best]), max(float(others.max()), 0.0) if others.size else 0.0
    clear = min(max((peak - second) / _CLEAR_DISTANCE, 0.0), 1.0)
    sharp = min(2 * _SHARP_HALF_WIDTH / (last_of_peak - first_of_peak + 1), 1.0)
    score = score_correlation(peak, x, y, pairs=int(found.pairs[best]))
    beyond_chance = min(max((score - _CHANCE_SCORE) / (_SURE_SCORE - _CHANCE_SCORE), 0.0), 1.0)
    shift, beside = int(found.shifts[best]), _refine_peak(r[best - 1 : best + 2])
    return Offset(
        offset_s=shift + beside,
        standard_error_s=estimate_offset_error(x, y, lead=shift + test_start - reference_start),
        confidence=max(peak, 0.0) * clear * sharp * beyond_chance,
        peak=peak,
        second=second,
        pairs=int(found.pairs[best]),
    )


def score_correlation(r: float, one: FloatArray, other: FloatArray, *, pairs: int) -> float:
    """Return by how many standard errors a correlation over ``pairs`` exceeds chance.

    The pairs are counted as independent ones by the autocorrelation of both series, at every lag.
    Formula: artanh(r) sqrt(n - 3), n of `count_independent_pairs`.

    Parameters
    ----------
    r
        The correlation.
    one, other
        The two series, shapes ``(n,)`` and ``(m,)``, NaN where missing.
    pairs
        Number of seconds that were compared.

    Returns
    -------
    float
        Number of standard errors.

    References
    ----------
    Bartlett 1946, JRSS Supplement 8:27; Fisher 1921 for artanh.
    """
    independent = max(count_independent_pairs(one, other, pairs=pairs) - 3, 0.0)
    return float(np.arctanh(min(r, _NEARLY_ONE)) * np.sqrt(independent))


def remove_trend(values: FloatArray, *, window: int) -> FloatArray:
    """Take the centred running mean over ``window`` samples off; missing stays missing.

    Parameters
    ----------
    values
        Series, shape ``(n,)``, NaN where missing.
    window
        Samples of the running mean.

    Returns
    -------
    float array ``(n,)``
        In the unit of the values.
    """
    return values - compute_running_mean(values, width=window, fewest_share=0.25)


@dataclass(frozen=True, slots=True)
class TrackOffset:
    """Clock offset between two tracks [s] and the median distance with and without it [m].

    ``standard_error_s`` comes from the offsets of eight parts of the track: it says whether one
    offset holds for all. ``pairs`` are the moving seconds compared.
    """

    offset_s: float
    standard_error_s: float
    distance_m: float
    distance_before_m: float
    pairs: int


def measure_track_distances(
    reference: tuple[FloatArray, FloatArray],
    test: tuple[FloatArray, FloatArray],
    *,
    reference_start: int,
    test_start: int,
    shifts: IntArray,
    step: int = 1,
    fewest_pairs: int = _FEWEST_PAIRS,
    quantile: float = 0.5,
) -> FloatArray:
    """Return the quantile (median) distance between two tracks at each shift of the test [m].

    Parameters
    ----------
    reference, test
        Tracks as (east, north) per second in one plane, NaN where missing [m].
    reference_start, test_start
        Second at which each track begins [s].
    shifts
        Shifts of the test, shape ``(n_shifts,)`` [s].
    step
        Every ``step``-th second is used.
    fewest_pairs
        Least number of shared seconds before thinning.
    quantile
        Quantile of the distances at one shift.

    Returns
    -------
    float array ``(n_shifts,)``
        Distances [m]; NaN where fewer than ``fewest_pairs`` seconds are shared.
    """
    east, north = reference
    seconds = np.flatnonzero(np.isfinite(east) & np.isfinite(north))[::step]
    distances = np.full(shifts.size, NAN)
    for at, shift in enumerate(shifts.tolist()):
        places = seconds + (reference_start - test_start - shift)
        inside = (places >= 0) & (places < test[0].size)
        gaps = np.hypot(
            east[seconds[inside]] - test[0][places[inside]],
            north[seconds[inside]] - test[1][places[inside]],
        )
        gaps = gaps[np.isfinite(gaps)]
        if gaps.size * step >= fewest_pairs and gaps.size:
            distances[at] = np.quantile(gaps, quantile)
    return distances


def estimate_track_offset(
    reference: tuple[FloatArray, FloatArray],
    test: tuple[FloatArray, FloatArray],
    *,
    reference_start: int,
    test_start: int,
    max_offset: int,
    least_speed_mps: float = 0.5,
) -> TrackOffset | None:
    """Find the clock offset at which the test was where the reference was.

    The offset is the lowest point of the parabola through the squared median distances within 15 s
    of the least one: the square grows with (speed x offset)^2, and a median does not mind jumps.
    Its standard error comes from eight parts of the track, in each the median of the time by which
    the test is ahead along the way, (difference . velocity) / speed^2. Own method; what it does not
    tell: a filter that shows positions late is taken for a clock that is late.

    Parameters
    ----------
    reference, test
        Tracks as (east, north) per second in one plane, NaN where missing [m].
    reference_start, test_start
        Second at which each track begins [s].
    max_offset
        Largest shift that is tried, to either side [s].
    least_speed_mps
        Seconds that are slower do not count [m/s].

    Returns
    -------
    TrackOffset or None
        None with under 60 shared seconds, hardly any movement, or no least distance within
        ``max_offset``.
    """
    shifts = np.arange(-max_offset, max_offset + 1, dtype=np.int64)
    step = max(1, int(np.isfinite(reference[0]).sum()) // _TRACK_PLACES)
    distances = measure_track_distances(
        reference,
        test,
        reference_start=reference_start,
        test_start=test_start,
        shifts=shifts,
        step=step,
    )
    if not np.isfinite(distances).any() or not np.isfinite(distances[max_offset]):
        return None
    best = int(np.nanargmin(distances))
    lead = int(shifts[best]) + test_start - reference_start
    parts, pairs = _measure_lead(reference, test, lead=lead, least_speed_mps=least_speed_mps)
    if best in {0, distances.size - 1} or parts is None:
        return None
    near = slice(max(best - _PARABOLA_HALF_WIDTH, 0), best + _PARABOLA_HALF_WIDTH + 1)
    return TrackOffset(
        offset_s=_find_lowest(shifts[near], distances[near] ** 2, otherwise=int(shifts[best])),
        standard_error_s=float(np.std(parts, ddof=1)) / float(np.sqrt(parts.size)),
        distance_m=float(distances[best]),
        distance_before_m=float(distances[max_offset]),
        pairs=pairs,
    )


def _measure_lead(
    reference: tuple[FloatArray, FloatArray],
    test: tuple[FloatArray, FloatArray],
    *,
    lead: int,
    least_speed_mps: float,
) -> tuple[FloatArray | None, int]:
    """Return for parts of the track the time by which the test is ahead, and the seconds used.

    ``lead`` is how many seconds the test's array begins after the reference's.
    """
    east, north = reference
    if east.size < _FEWEST_PAIRS:
        return None, 0
    places = np.arange(east.size) - lead
    inside = (places >= 0) & (places < test[0].size)
    at = np.clip(places, 0, test[0].size - 1)
    gap_east = np.where(inside, test[0][at], NAN) - east
    gap_north = np.where(inside, test[1][at], NAN) - north
    east_mps, north_mps = np.gradient(east), np.gradient(north)
    speed_squared = east_mps**2 + north_mps**2
    with np.errstate(invalid="ignore", divide="ignore"):
        ahead = (gap_east * east_mps + gap_north * north_mps) / speed_squared
    moving = np.isfinite(ahead) & (speed_squared >= least_speed_mps**2)
    pairs = int(moving.sum())
    if pairs < _FEWEST_PAIRS:
        return None, pairs
    parts = [float(np.median(part)) for part in np.array_split(ahead[moving], _TRACK_PARTS)]
    return np.array(parts), pairs


def _find_lowest(shifts: IntArray, squares: FloatArray, *, otherwise: int) -> float:
    """Return where the parabola fitted to the squares is lowest, if it has such a place inside."""
    known = np.isfinite(squares)
    if known.sum() <= _NEIGHBOURS:
        return float(otherwise)
    bend, slope, _ = np.polyfit(shifts[known] - otherwise, squares[known], 2)
    if bend <= 0:
        return float(otherwise)
    lowest = float(-slope / (2 * bend))
    return otherwise + min(max(lowest, -_PARABOLA_HALF_WIDTH), _PARABOLA_HALF_WIDTH)


def _standardise(values: FloatArray, known: BoolArray) -> tuple[FloatArray, float]:
    centre, scale = float(values[known].mean()), float(values[known].std())
    scale = scale if scale > 0 else 1.0
    return np.where(known, (values - centre) / scale, 0.0), scale


def _find_fast_size(least: int) -> int:
    """Return the next power of two: the transform is fastest there."""
    return 1 << max(least - 1, 1).bit_length()


def _find_lobe(r: FloatArray, best: int) -> tuple[int, int]:
    """Return first and last place around the best one with at least half its height."""
    low_places = np.flatnonzero(~(r >= r[best] / 2))
    before, after = low_places[low_places < best], low_places[low_places > best]
    first = int(before[-1]) + 1 if before.size else 0
    last = int(after[0]) - 1 if after.size else r.size - 1
    return first, last


def _refine_peak(three: FloatArray) -> float:
    """Return where the parabola through three values has its top, from the middle one."""
    before, middle, after = three.tolist()
    bend = before - 2 * middle + after
    return 0.0 if bend >= 0 else 0.5 * (before - after) / bend
