"""How late one series follows another: pure shift, and dead time with a time constant."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tasks.maths.arrays import NAN, FloatArray, require_same_shape
from tasks.maths.autocorrelation import compute_effective_n, compute_lag_one_autocorrelation
from tasks.maths.smoothing import compute_running_mean, fill_gaps

_MIN_PAIRS = 30
_FEWEST_WINDOWS = 3
_REFINE_STEPS = 12
_SMOOTHING = 9
_LEAST_VARIANCE = 0.01  # what rounding to whole numbers leaves after that smoothing
_SIGNIFICANT = 3.84  # chi-squared with one degree of freedom, 95 %
_GOLDEN = (5**0.5 - 1) / 2


@dataclass(frozen=True, slots=True)
class Lag:
    """Shift at which the test series follows the reference best [s]; positive = later.

    ``window_shifts`` are the best shifts of the single windows, ``spread`` half their
    interquartile range; ``r_at_zero`` and ``r_at_best`` are the correlations pooled over windows.
    ``is_at_edge`` says that the best shift is the largest one tried and so no maximum.
    """

    shift: int | None
    r_at_zero: float
    r_at_best: float
    spread: float
    window_shifts: tuple[int, ...]
    is_at_edge: bool = False


NO_LAG = Lag(None, NAN, NAN, NAN, ())


@dataclass(frozen=True, slots=True)
class FirstOrderFit:
    """Dead time and time constant [s] of a first-order response, and what they leave over.

    ``residual_sd`` is that of the fit, ``shift_residual_sd`` that of the best pure shift: nearly
    equal values mean that the data do not tell the two apart.
    """

    dead_time: float
    time_constant: float
    offset: float
    residual_sd: float
    shift_residual_sd: float
    n: int


NO_FIT = FirstOrderFit(NAN, NAN, NAN, NAN, NAN, 0)


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

    Both ``(n_seconds,)`` on one grid, NaN where missing. Every shift of a window uses the same
    reference seconds (equal overlap); the mean of each window is taken off, so that slow drift
    does not count; windows whose reference varies by less than ``least_reference_sd`` are left
    out. Formula: argmax_k corr(ref(t), test(t + k)). Series shorter than a window are one window.
    A first-order response of time constant tau shows as a shift smaller than tau.
    *Source*: common practice; Muehlen et al. 2021, BJSM 55:767 asks for it to be reported.
    *Raises* ValueError if the shapes differ.
    """
    require_same_shape(reference, test)
    n = reference.size
    if n < 2 * max_shift + _MIN_PAIRS:
        return NO_LAG
    width = min(window, n - 2 * max_shift)
    starts = range(max_shift, n - max_shift - width + 1, step)
    parts = []
    for start in starts:
        moments = _correlate_window(
            reference[start : start + width], test[start - max_shift : start + width + max_shift]
        )
        if moments is None or np.sqrt(moments[1][max_shift]) < max(least_reference_sd, 1e-9):
            continue
        parts.append(moments)
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
    )


def _find_peak(correlation: FloatArray, middle: int) -> int:
    """Give the highest place; among equals the one nearest to no shift."""
    highest = np.nanmax(correlation)
    places = np.flatnonzero(correlation >= highest - 1e-12)
    return int(places[np.argmin(np.abs(places - middle))])


def _correlate_window(
    short: FloatArray, long: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Give covariance and both variances for each shift, over the pairs that are present."""
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


def respond_first_order(values: FloatArray, time_constant: float) -> FloatArray:
    """Give the first-order response of ``(n_seconds,)`` [1 s grid] to itself as input.

    Solves y' = (x - y) / tau exactly for x running straight between the seconds, starting in
    balance; tau = 0 gives the input. NaN must be filled before.
    """
    if time_constant <= 0 or not values.size:
        return values.copy()
    from scipy.signal import lfilter  # noqa: PLC0415 - scipy is slow to import

    kept = float(np.exp(-1 / time_constant))
    now = 1 - time_constant * (1 - kept)
    before = time_constant * (1 - kept) - kept
    state = [(1 - now) * values[0]]
    response, _ = lfilter([now, before], [1.0, -kept], values, zi=state)
    return np.asarray(response, dtype=np.float64)


def fit_first_order(
    reference: FloatArray,
    test: FloatArray,
    *,
    max_dead_time: int = 30,
    max_time_constant: float = 60.0,
    settle: int = 60,
) -> FirstOrderFit:
    """Fit test(t) = offset + first-order response of reference(t - dead time), gain 1.

    Both ``(n_seconds,)`` on a 1 s grid, NaN where missing (the reference's gaps are filled for the
    filter but not compared). The first ``settle`` seconds only let the filter settle. Least squares
    over whole-second dead times and continuous time constants. Too few pairs give no fit.
    *Source*: the step response of a first-order system (any text on control); method: own.
    Where the residuals do not speak against a pure shift or a pure first-order response (likelihood
    ratio with the effective number of residuals), that is given instead of the mixture.
    What it does not tell: with a reference that hardly changes, both numbers are noise; a time
    constant of a few seconds is nearly a shift, so that their sum is sharper than either.
    *Raises* ValueError if the shapes differ.
    """
    require_same_shape(reference, test)
    usable = reference.size - settle - max_dead_time
    present = np.isfinite(reference)
    if usable < _MIN_PAIRS or present.sum() < _MIN_PAIRS or np.isfinite(test).sum() < _MIN_PAIRS:
        return NO_FIT
    # The same smoothing on both sides commutes with the response, and takes off the rounding noise
    # of the reference, which the filter would otherwise be credited for removing.
    filled = fill_gaps(compute_running_mean(reference, width=_SMOOTHING))
    # Beside a gap the mean would lean to one side, which looks like a delay: whole windows only.
    test = compute_running_mean(test, width=_SMOOTHING, fewest_share=1.0)

    def measure(time_constant: float) -> _Residuals:
        model = respond_first_order(filled, time_constant)
        model = np.where(present, model, np.nan)[settle : settle + usable]
        return _measure_residuals(model, test[settle:])

    shift = measure(0.0)
    if not np.isfinite(shift.variances).any():
        return NO_FIT
    both = _search(lambda value: float(np.nanmin(measure(value).variances)), max_time_constant)
    plain = _search(lambda value: float(measure(value).variances[0]), max_time_constant)
    best = measure(both)
    # The simplest response that the residuals do not speak against: pure shift, pure first order.
    worth = _count_independent(best, model=respond_first_order(filled, both), test=test, at=settle)
    room = 1 + _SIGNIFICANT / max(worth, 1.0)
    least = float(np.nanmin(best.variances))
    simple = [
        (float(np.nanmin(shift.variances)), 0.0, shift, int(np.nanargmin(shift.variances))),
        (float(measure(plain).variances[0]), plain, measure(plain), 0),
    ]
    variance, time_constant, chosen, dead = min(simple, key=lambda each: each[0])
    if not variance <= room * least + _LEAST_VARIANCE:
        time_constant, chosen, dead = both, best, int(np.nanargmin(best.variances))
    return FirstOrderFit(
        float(dead),
        time_constant,
        float(chosen.offsets[dead]),
        float(np.sqrt(chosen.variances[dead])),
        float(np.sqrt(np.nanmin(shift.variances))),
        int(chosen.counts[dead]),
    )


@dataclass(frozen=True, slots=True)
class _Residuals:
    """Variance, mean and number of test minus model for the dead times 0, 1, ... seconds."""

    variances: FloatArray
    offsets: FloatArray
    counts: FloatArray


def _search(miss: Callable[[float], float], longest: float) -> float:
    """Give the time constant with the least miss: a coarse grid, then golden sections."""
    grid = np.concatenate([[0.0], np.geomspace(1.0, longest, 12)])
    misses = np.array([miss(value) for value in grid])
    if not np.isfinite(misses).any():
        return 0.0
    at = int(np.nanargmin(misses))
    low, high = float(grid[max(at - 1, 0)]), float(grid[min(at + 1, grid.size - 1)])
    for _ in range(_REFINE_STEPS):
        left, right = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
        if miss(left) <= miss(right):
            high = right
        else:
            low = left
    middle = (low + high) / 2
    return middle if miss(middle) < misses[at] else float(grid[at])


def _count_independent(best: _Residuals, *, model: FloatArray, test: FloatArray, at: int) -> float:
    """Give the number of independent residuals of a fit."""
    dead = int(np.nanargmin(best.variances))
    residuals = (test[dead:] - model[: model.size - dead])[at:]
    lag_one = compute_lag_one_autocorrelation(residuals)
    return compute_effective_n(int(np.isfinite(residuals).sum()), lag_one)


def _measure_residuals(model: FloatArray, test: FloatArray) -> _Residuals:
    here, there = np.isfinite(model), np.isfinite(test)
    centre = float(model[here].mean()) if here.any() else 0.0
    x, y = np.where(here, model - centre, 0.0), np.where(there, test - centre, 0.0)
    has_x, has_y = here.astype(np.float64), there.astype(np.float64)
    pairs = np.correlate(has_y, has_x, "valid")
    enough = np.maximum(pairs, 1.0)
    offset = (np.correlate(y, has_x, "valid") - np.correlate(has_y, x, "valid")) / enough
    squares = (
        np.correlate(y * y, has_x, "valid")
        + np.correlate(has_y, x * x, "valid")
        - 2 * np.correlate(y, x, "valid")
    ) / enough
    variance = np.maximum(squares - offset**2, 0.0)
    return _Residuals(np.where(pairs >= _MIN_PAIRS, variance, np.nan), offset, pairs)
