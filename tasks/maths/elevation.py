"""Ascent, drift and noise of heights, and the standard atmosphere."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.maths.arrays import NAN, require_same_shape
from tasks.maths.scatter import MAD_TO_SD
from tasks.maths.smoothing import compute_running_mean

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray, FloatArray

#: ISO 2533: pressure and temperature at sea level, lapse rate, gravity, gas constant of air.
_SEA_LEVEL_PA: Final = 101_325.0
_SEA_LEVEL_K: Final = 288.15
_LAPSE_K_PER_M: Final = 0.0065
_GRAVITY: Final = 9.80665
_GAS_CONSTANT: Final = 287.05287
_EXPONENT: Final = _GRAVITY / (_GAS_CONSTANT * _LAPSE_K_PER_M)
_TROPOPAUSE_M: Final = 11_000.0
_MOST_SLOPE_POINTS: Final = 400
#: A step in the heights is more than this, and this fast.
_STEP_M: Final = 5.0
_STEP_MPS: Final = 8.0
#: And so many times as large as the usual step of the heights, where that can be known.
_STEP_SCATTERS: Final = 6.0
_FEWEST_STEPS: Final = 30
#: What binary fractions make of decimal heights is far less, what devices resolve far more.
_ROUNDING_M: Final = 1e-6


@dataclass(frozen=True, slots=True)
class Climb:
    """Summed rises and falls [m]."""

    ascent_m: float
    descent_m: float


def accumulate_climb(altitude_m: FloatArray, *, threshold_m: float) -> Climb:
    """Sum the rises and falls of at least ``threshold_m`` of ``(n_samples,)``; NaN is left out.

    The reference height moves, and the difference counts, once a height is at least the threshold
    away from it; 0 sums every step. What is left before each turn, less than the threshold, is not
    counted, so the sum is a little low on smooth hills; noise below the threshold is not counted
    either.

    Parameters
    ----------
    altitude_m
        Heights, shape ``(n_samples,)`` [m]; NaN is left out.
    threshold_m
        Least difference that counts [m]; 0 sums every step.

    Returns
    -------
    Climb
        Rises and falls [m].

    References
    ----------
    Common practice, no source (hysteresis).
    """
    heights = altitude_m[np.isfinite(altitude_m)].tolist()
    if not heights:
        return Climb(0.0, 0.0)
    # Heights are decimals: without this, some steps of just the threshold would be too small.
    least = max(threshold_m - _ROUNDING_M, 0.0)
    ascent = descent = 0.0
    at = heights[0]
    for height in heights:
        change = height - at
        if change >= least:
            ascent += change
            at = height
        elif -change >= least:
            descent -= change
            at = height
    return Climb(ascent, descent)


def accumulate_reversals(altitude_m: FloatArray, *, threshold_m: float) -> Climb:
    """Sum the rises and falls between turning points that are ``threshold_m`` apart or more.

    Parameters
    ----------
    altitude_m
        Heights ``(n_samples,)`` [m]; NaN is left out.
    threshold_m
        A turning point counts once the profile has come back from it by this much [m].

    Returns
    -------
    Climb
        Nothing of a counted climb is lost, unlike with :func:`accumulate_climb`; noise makes each
        turning point more extreme, so heights are smoothed before.

    References
    ----------
    Common practice, no source (accumulated reversal); the same turning points as those of
    rainflow counting, ASTM E1049.
    """
    heights = altitude_m[np.isfinite(altitude_m)].tolist()
    if not heights:
        return Climb(0.0, 0.0)
    least = max(threshold_m - _ROUNDING_M, _ROUNDING_M)
    ascent = descent = 0.0
    start = low = high = heights[0]
    direction = 0
    for height in heights:
        low, high = min(low, height), max(high, height)
        if direction <= 0 and height - low >= least:
            # The fall ended at the lowest height; the first rise begins there.
            if direction < 0:
                descent += start - low
            direction, start, high = 1, low, height
        elif direction >= 0 and high - height >= least:
            if direction > 0:
                ascent += high - start
            direction, start, low = -1, high, height
    if direction > 0:
        ascent += high - start
    elif direction < 0:
        descent += start - low
    return Climb(ascent, descent)


def smooth_heights(seconds: FloatArray, altitude_m: FloatArray, *, window_s: float) -> FloatArray:
    """Return heights on every second, steps that nobody climbs taken out, by a running mean.

    Parameters
    ----------
    seconds, altitude_m
        Times, rising, and heights ``(n_samples,)``; NaN is left out [s, m].
    window_s
        Width of the centred running mean [s]; the ends are continued by their odd reflection.

    Returns
    -------
    array ``(n_seconds,)``
        Empty without any height.
    """
    known = np.isfinite(altitude_m) & np.isfinite(seconds)
    at, heights = seconds[known], level_steps(seconds[known], altitude_m[known])
    if not at.size:
        return np.empty(0)
    grid = np.arange(at[0], at[-1] + 0.5)
    even = np.interp(grid, at, heights)
    half = min(round(window_s) // 2, even.size - 1)
    if half < 1:
        return even
    # Ends are turned about themselves, so that a climb that goes on there loses nothing.
    longer = np.pad(even, half, mode="reflect", reflect_type="odd")
    return compute_running_mean(longer, width=2 * half + 1)[half:-half]


def find_steps(seconds: FloatArray, altitude_m: FloatArray) -> BoolArray:
    """Mark the steps ``(n - 1,)`` between heights that nobody climbs in the time.

    More than 5 m and 8 m/s: faster than the fastest lifts and descents on skis or a bicycle, and
    more than the resolution of a sensor. Beyond six times the scatter of all steps, too: heights
    that are all noise have no single step that stands out.

    Parameters
    ----------
    seconds, altitude_m
        Times, rising, and heights, shape ``(n,)`` [s, m].

    Returns
    -------
    bool array ``(n - 1,)``
        True for more than 5 m and 8 m/s, and, from 30 steps, more than six robust SD (1.4826 times
        the median size) of the steps. Common practice, no source.
    """
    sizes = np.abs(np.diff(altitude_m))
    limit_m = _STEP_M + _STEP_MPS * np.diff(seconds)
    if sizes.size >= _FEWEST_STEPS:
        scatter_m = MAD_TO_SD * float(np.median(sizes))
        limit_m = np.maximum(limit_m, _STEP_SCATTERS * scatter_m)
    steps: BoolArray = sizes > limit_m
    return steps


def level_steps(seconds: FloatArray, altitude_m: FloatArray) -> FloatArray:
    """Return heights ``(n,)`` without the steps of `find_steps`: what follows is moved along.

    Parameters
    ----------
    seconds, altitude_m
        Times, rising, and heights, shape ``(n,)`` [s, m].

    Returns
    -------
    float array ``(n,)``
        Heights [m].
    """
    steps = np.where(find_steps(seconds, altitude_m), np.diff(altitude_m), 0.0)
    level: FloatArray = altitude_m - np.concatenate([[0.0], np.cumsum(steps)])[: altitude_m.size]
    return level


def estimate_noise_ascent_m(n_samples: int, sd_m: float, autocorrelation: float) -> float:
    """Return the ascent that noise alone adds when every step is summed [m].

    N SD sqrt((1 - rho) / pi): half the mean absolute step of a normal series of lag-one
    autocorrelation rho.

    Parameters
    ----------
    n_samples
        Number of heights.
    sd_m
        SD of their noise [m].
    autocorrelation
        Lag-one autocorrelation of the noise.

    Returns
    -------
    float
        Ascent [m].
    """
    return n_samples * sd_m * float(np.sqrt((1.0 - autocorrelation) / np.pi))


def compute_robust_slope(at: FloatArray, values: FloatArray, *, width: float) -> float:
    """Return the median slope (Theil and Sen) of values over their places, NaN for too few.

    Values are first averaged over stretches of ``width`` (longer ones where there would be more
    than 400 stretches), so that noise between neighbours does not count as slope.

    Parameters
    ----------
    at
        Places of the values, shape ``(n,)``.
    values
        Values, shape ``(n,)``; NaN is left out.
    width
        Width of the stretches that are averaged first, in the unit of ``at``.

    Returns
    -------
    float
        Unit of the values by unit of ``at``; NaN for too few.

    References
    ----------
    Sen 1968, JASA 63:1379.
    """
    require_same_shape(at, values)
    known = np.isfinite(at) & np.isfinite(values)
    if not known.any():
        return NAN
    x, y = at[known], values[known]
    span = float(x.max() - x.min())
    bins = np.floor((x - x.min()) / max(width, span / _MOST_SLOPE_POINTS)).astype(np.int64)
    counts = np.bincount(bins)
    held = counts > 0
    mean_x = np.bincount(bins, weights=x)[held] / counts[held]
    mean_y = np.bincount(bins, weights=y)[held] / counts[held]
    first, second = np.triu_indices(mean_x.size, 1)
    if not first.size:
        return NAN
    slopes = (mean_y[second] - mean_y[first]) / (mean_x[second] - mean_x[first])
    return float(np.median(slopes))


def compute_rough_sd(values: FloatArray, *, width: int) -> float:
    """Return the SD of what is left of ``(n,)`` after its running mean of ``width`` is taken off.

    Multiplied by sqrt(w / (w - 1)), so that white noise comes back with its own SD; slower noise is
    taken off with the terrain and comes back smaller.

    Parameters
    ----------
    values
        Series, shape ``(n,)``; NaN is left out.
    width
        Samples of the running mean.

    Returns
    -------
    float
        In the unit of the values; NaN for too few.
    """
    half = width // 2
    rough = values - compute_running_mean(values, width=width, fewest_share=1.0)
    # The ends have shorter windows.
    rough = rough[half : rough.size - half] if rough.size > width else np.empty(0)
    rough = rough[np.isfinite(rough)]
    if rough.size <= width:
        return NAN
    return float(np.sqrt(np.mean(rough**2) * width / (width - 1)))


def compute_pressure_pa(altitude_m: FloatArray) -> FloatArray:
    """Return the pressure of the standard atmosphere at geopotential heights below 11 km [Pa].

    Parameters
    ----------
    altitude_m
        Geopotential heights, any shape [m].

    Returns
    -------
    float array
        Pressures of the same shape [Pa].

    References
    ----------
    ISO 2533:1975, p0 (1 - 0.0065 H / 288.15)^5.25588.
    """
    return np.asarray(
        _SEA_LEVEL_PA * (1.0 - _LAPSE_K_PER_M * altitude_m / _SEA_LEVEL_K) ** _EXPONENT
    )


def compute_pressure_altitude_m(pressure_pa: FloatArray) -> FloatArray:
    """Return the geopotential height of pressures in the standard atmosphere [m].

    The inverse of :func:`compute_pressure_pa`; NaN above 11 km and for pressures that are none.

    Parameters
    ----------
    pressure_pa
        Pressures, any shape [Pa].

    Returns
    -------
    float array
        Heights of the same shape [m].

    References
    ----------
    ISO 2533:1975.
    """
    share = np.where(pressure_pa > 0, pressure_pa, np.nan) / _SEA_LEVEL_PA
    height = _SEA_LEVEL_K / _LAPSE_K_PER_M * (1.0 - share ** (1.0 / _EXPONENT))
    return np.asarray(np.where(height <= _TROPOPAUSE_M, height, np.nan))
