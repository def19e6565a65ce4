"""How late one series follows another as a whole: the shift of the best correlation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tasks.maths.arrays import NAN, FloatArray, require_same_shape
from tasks.maths.autocorrelation import SHORTEST_BLOCK_S, compute_lag_one_autocorrelation
from tasks.maths.moving_blocks import MeanError, compute_moving_block_error

_MIN_PAIRS = 30
_FEWEST_WINDOWS = 3
_FEWEST_BLOCKS = 6
_PEAK_REACH = 3  # seconds on either side of the best shift that show where its peak lies
_COPY = 1e-12  # a correlation that is 1 but for rounding

NOT_REFINED = MeanError(NAN, NAN, 0)


@dataclass(frozen=True, slots=True)
class Lag:
    """Shift at which the test series follows the reference best [s]; positive = later.

    ``window_shifts`` are the best shifts of the single windows, ``spread`` half their
    interquartile range; ``r_at_zero`` and ``r_at_best`` are the correlations pooled over windows.
    ``is_at_edge`` says that the best shift is the largest one tried and so no maximum.
    ``refined`` is the place of the peak between whole shifts and its standard error: NaN both where
    there is no peak, the error alone where the series is too short to tell it.
    """

    shift: int | None
    r_at_zero: float
    r_at_best: float
    spread: float
    window_shifts: tuple[int, ...]
    is_at_edge: bool = False
    refined: MeanError = NOT_REFINED


NO_LAG = Lag(None, NAN, NAN, NAN, ())


def estimate_lag(
    reference: FloatArray,
    test: FloatArray,
    *,
    max_shift: int,
    window: int = 300,
    step: int = 150,
    least_reference_sd: float = 0.0,
) -> Lag:
    """Find the shift that maximises the correlation inside windows, pooled over windows.

    Parameters
    ----------
    reference
        Shape ``(n_seconds,)`` on a grid of 1 s; NaN is missing.
    test
        Same shape and grid.
    max_shift
        Largest shift tried, either way [s].
    window
        Length of a window [s]; shorter series are one window.
    step
        From the begin of one window to the next [s].
    least_reference_sd
        Windows whose reference varies by less are left out; in its unit.

    Returns
    -------
    Lag
        Positive where the test is later; none where no window counts. A first-order response of
        time constant tau shows as a shift smaller than tau.

    Raises
    ------
    ValueError
        The shapes differ.

    Notes
    -----
    Formula: argmax_k corr(ref(t), test(t + k)). Every shift of a window uses the same reference
    seconds (equal overlap); the mean of each window is taken off, so that slow drift does not
    count. The peak between whole shifts is that of the parabola through the correlations up to 3 s
    from the best one; its standard error comes from the slope of the correlation there, second by
    second, in overlapping blocks as long as a window (delta method).

    References
    ----------
    Common practice; Muehlen et al. 2021, BJSM 55:767 asks for it to be reported.
    """
    require_same_shape(reference, test)
    n = reference.size
    if n < 2 * max_shift + _MIN_PAIRS:
        return NO_LAG
    width = min(window, n - 2 * max_shift)
    starts = range(max_shift, n - max_shift - width + 1, step)
    parts, windows = [], []
    for start in starts:
        moments = _correlate_window(
            reference[start : start + width], test[start - max_shift : start + width + max_shift]
        )
        if moments is None or np.sqrt(moments[1][max_shift]) < max(least_reference_sd, 1e-9):
            continue
        parts.append(moments)
        windows.append(slice(start, start + width))
    if not parts:
        return NO_LAG
    pooled = np.sum(np.array(parts), axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        correlation = pooled[0] / np.sqrt(pooled[1] * pooled[2])
    if not np.isfinite(correlation).any():
        return NO_LAG
    best = _find_peak(correlation, max_shift)
    shifts = []
    for covariance, reference_variance, test_variance in parts:
        with np.errstate(invalid="ignore", divide="ignore"):
            single = covariance / np.sqrt(reference_variance * test_variance)
        if np.isfinite(single).any():
            shifts.append(_find_peak(single, max_shift) - max_shift)
    spread = NAN
    if len(shifts) >= _FEWEST_WINDOWS:
        low, high = np.quantile(shifts, [0.25, 0.75])
        spread = float(high - low) / 2
    return Lag(
        best - max_shift,
        float(correlation[max_shift]),
        float(correlation[best]),
        spread,
        tuple(shifts),
        best in {0, correlation.size - 1},
        _refine_peak(reference, test, pooled, windows=windows, best=best, max_shift=max_shift),
    )


def _refine_peak(
    reference: FloatArray,
    test: FloatArray,
    pooled: FloatArray,
    *,
    windows: list[slice],
    best: int,
    max_shift: int,
) -> MeanError:
    """Return the peak between whole shifts and its standard error.

    With c the pooled correlation and g its slope, the shift is off by -g / c''. The error of g is
    that of a sum over seconds.
    """
    scale = np.sqrt(pooled[1] * pooled[2])
    reach = min(_PEAK_REACH, best, scale.size - 1 - best)
    around = slice(best - reach, best + reach + 1)
    if reach == 0 or not (scale[around] > 0).all():
        return NOT_REFINED
    bend, slope, _ = np.polyfit(
        np.arange(-reach, reach + 1), pooled[0][around] / scale[around], deg=2
    )
    if bend >= 0:
        return NOT_REFINED
    shift = best - max_shift
    # A lopsided peak may put the top of the parabola where it was not looked at.
    beside = float(np.clip(-slope / 2 / bend, -1.0, 1.0))
    # A copy is late by whole seconds: a parabola would miss that by a thousandth.
    is_copy = pooled[0][best] >= (1 - _COPY) * scale[best]
    peak = shift + (0.0 if is_copy else beside)
    slopes = _find_slopes(
        reference, test, windows=windows, shift=shift, factor=pooled[0][best] / pooled[2][best]
    )
    n = int(np.isfinite(slopes).sum())
    width = windows[0].stop - windows[0].start
    # Taking off the mean of a window ties all of its seconds together.
    length = max(SHORTEST_BLOCK_S, min(width, n // _FEWEST_BLOCKS))
    found = compute_moving_block_error(
        slopes, length=length, lag_one=compute_lag_one_autocorrelation(slopes)
    )
    error = found.standard_error * n / scale[best] / abs(2 * bend)
    return MeanError(peak, float(error), found.n_blocks)


def _find_slopes(
    reference: FloatArray, test: FloatArray, *, windows: list[slice], shift: int, factor: float
) -> FloatArray:
    """Return what each second of the reference adds to the slope of the pooled correlation.

    From the first to the last second of all windows, NaN where there is none. It is the rest of
    the reference after ``factor`` times the test, times the slope of the test. Formula, x and y
    less their means in the window: (x(t) - factor y(t + k)) y'(t + k) / pairs in the window.
    """
    added = np.zeros(reference.size)
    seen = np.zeros(reference.size, dtype=np.bool_)
    steepness = np.gradient(test)
    for window in windows:
        moved = slice(window.start + shift, window.stop + shift)
        x, y = reference[window], test[moved]
        pairs = np.isfinite(x) & np.isfinite(y)
        rest = x - x[pairs].mean() - factor * (y - y[pairs].mean())
        slopes = rest * steepness[moved]
        known = np.isfinite(slopes)
        added[window] += np.where(known, slopes, 0.0) / pairs.sum()
        seen[window] |= known
    first, last = np.flatnonzero(seen)[[0, -1]]
    slopes = np.where(seen, added, NAN)
    return slopes[first : last + 1]


def _find_peak(correlation: FloatArray, middle: int) -> int:
    """Return the highest place; among equals the one nearest to no shift."""
    highest = np.nanmax(correlation)
    places = np.flatnonzero(correlation >= highest - 1e-12)
    return int(places[np.argmin(np.abs(places - middle))])


def _correlate_window(
    short: FloatArray, long: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Return covariance and both variances for each shift, over the pairs that are present."""
    here, there = np.isfinite(short), np.isfinite(long)
    if here.sum() < _MIN_PAIRS or there.sum() < _MIN_PAIRS:
        return None
    # Centring first keeps the sums of squares small and their differences exact.
    centre_short, centre_long = float(short[here].mean()), float(long[there].mean())
    x = np.where(here, short - centre_short, 0.0)
    y = np.where(there, long - centre_long, 0.0)
    has_x, has_y = here.astype(np.float64), there.astype(np.float64)
    pairs = np.correlate(has_y, has_x, "valid")
    enough = np.maximum(pairs, 1.0)
    mean_x = np.correlate(has_y, x, "valid") / enough
    mean_y = np.correlate(y, has_x, "valid") / enough
    covariance = np.correlate(y, x, "valid") / enough - mean_x * mean_y
    variance_x = np.correlate(has_y, x * x, "valid") / enough - mean_x**2
    variance_y = np.correlate(y * y, has_x, "valid") / enough - mean_y**2
    if pairs.min() < _MIN_PAIRS:
        return None
    return covariance, np.maximum(variance_x, 0.0), np.maximum(variance_y, 0.0)
