"""Ascent, drift and noise of heights, and the standard atmosphere."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.maths.arrays import NAN, require_same_shape
from tasks.maths.smoothing import compute_running_mean

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray

#: ISO 2533: pressure and temperature at sea level, lapse rate, gravity, gas constant of air.
_SEA_LEVEL_PA: Final = 101_325.0
_SEA_LEVEL_K: Final = 288.15
_LAPSE_K_PER_M: Final = 0.0065
_GRAVITY: Final = 9.80665
_GAS_CONSTANT: Final = 287.05287
_EXPONENT: Final = _GRAVITY / (_GAS_CONSTANT * _LAPSE_K_PER_M)
_TROPOPAUSE_M: Final = 11_000.0
_MOST_SLOPE_POINTS: Final = 400
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
    away from it; 0 sums every step. What is left before each turn, less than the threshold, is
    not counted, so the sum is a little low on smooth hills; noise below the threshold is not
    counted either. *Source*: common practice, no source (hysteresis).
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


def estimate_noise_ascent_m(n_samples: int, sd_m: float, autocorrelation: float) -> float:
    """Return the ascent that noise alone adds when every step is summed [m].

    N SD sqrt((1 - rho) / pi): half the mean absolute step of a normal series of lag-one
    autocorrelation rho.
    """
    return n_samples * sd_m * float(np.sqrt((1.0 - autocorrelation) / np.pi))


def compute_robust_slope(at: FloatArray, values: FloatArray, *, width: float) -> float:
    """Return the median slope (Theil and Sen) of values over their places, NaN for too few.

    Both ``(n,)``, NaN left out. Values are first averaged over stretches of ``width`` (longer
    ones where there would be more than 400 stretches), so that noise between neighbours does not
    count as slope. *Source*: Sen 1968, JASA 63:1379.
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

    Multiplied by sqrt(w / (w - 1)), so that white noise comes back with its own SD; slower noise
    is taken off with the terrain and comes back smaller. NaN is left out; NaN for too few.
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

    *Source*: ISO 2533:1975, p0 (1 - 0.0065 H / 288.15)^5.25588.
    """
    return np.asarray(
        _SEA_LEVEL_PA * (1.0 - _LAPSE_K_PER_M * altitude_m / _SEA_LEVEL_K) ** _EXPONENT
    )


def compute_pressure_altitude_m(pressure_pa: FloatArray) -> FloatArray:
    """Return the geopotential height of pressures in the standard atmosphere [m].

    The inverse of :func:`compute_pressure_pa`; NaN above 11 km and for pressures that are none.
    *Source*: ISO 2533:1975.
    """
    share = np.where(pressure_pa > 0, pressure_pa, np.nan) / _SEA_LEVEL_PA
    height = _SEA_LEVEL_K / _LAPSE_K_PER_M * (1.0 - share ** (1.0 / _EXPONENT))
    return np.asarray(np.where(height <= _TROPOPAUSE_M, height, np.nan))
