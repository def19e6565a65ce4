"""How late a rise of one series shows in another: by its whole shape, not by single seconds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from tasks.maths.arrays import NAN, FloatArray
from tasks.maths.first_order import STEP_S, FirstOrderFit, respond, smooth_reference, smooth_test
from tasks.maths.rises import cross_upward
from tasks.maths.scatter import MAD_TO_SD
from tasks.maths.smoothing import compute_running_mean

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tasks.maths.rises import Rise

HALF, NEAR = 0.5, 0.9
_EARLIEST_S = 20
_LEAST_PRESENT = 0.5
_FEWEST_S = 10
_REFINE_STEPS = 6
_BASE_S = 30
_OFFSET_ROOM = 3.0
_LOCAL_S = 11
_DEVIATES = 3.5  # in standard deviations of the local mean of what the fit leaves over
_LEAST_DEVIATION = 0.5
_LEAST_SLOPE = 0.05
_HUBER = 1.345
_CENTRE_STEPS = 100
_SETTLED_S = 1e-9


@dataclass(frozen=True, slots=True)
class Delay:
    """How late a level of a rise is passed [s], NaN where it is not, and its standard error [s].

    The error is that of this rise's own noise, NaN where nobody knows it.
    """

    value: float
    error: float


_NO_DELAY = Delay(NAN, NAN)


@dataclass(frozen=True, slots=True)
class RiseDelays:
    """Delays of one rise, at half and at 90 % of it."""

    half: Delay
    near: Delay


@dataclass(frozen=True, slots=True)
class _Curves:
    """Everything on the whole grid that the rises share."""

    reference: FloatArray
    test: FloatArray
    answer: FloatArray
    white_answer: FloatArray
    white_slope: FloatArray
    white_test: FloatArray
    local: FloatArray
    spread: float
    fit: FirstOrderFit
    patience: int


def measure_rise_delays(
    reference: FloatArray,
    test: FloatArray,
    rises: Sequence[Rise],
    fit: FirstOrderFit,
    *,
    crossings: Sequence[tuple[float, float]],
    patience: int,
) -> tuple[RiseDelays, ...]:
    """Measure the delay of ``test`` at half and at 90 % of each rise of ``reference``.

    A single crossing of a level is blurred by the noise of a few seconds (noise of 1.5 on a slope
    of 1.5 per second: a second). So each rise is read from a curve through all of its seconds: the
    answer of ``fit`` to the reference, moved to where it meets this rise best (least squares with
    the fit's noise, parts of a second). The delay is the crossing of the level by that curve minus
    that by the reference, both smoothed over 9 s. Where the seconds around a level lie off the
    curve by more than their noise allows, the response there is another one: the delay is then that
    of the plain ``crossings`` (half, 90 %) of this rise, NaN where there is none.

    Parameters
    ----------
    reference, test
        Series on a 1 s grid, shape ``(n_seconds,)``, NaN where missing.
    rises
        Rises of the reference; falls are rises of both series negated.
    fit
        First-order response of the test to the reference.
    crossings
        Plain delay of each rise at half and at 90 % [s], NaN where there is none.
    patience
        How long after a rise the test is looked for [s].

    Returns
    -------
    tuple of RiseDelays
        One for each rise, in order [s].

    References
    ----------
    Least squares with autoregressive noise; the choice between both is our own.
    """
    if fit.kind == "none":
        return tuple(
            RiseDelays(*(Delay(value, NAN) for value in crossing)) for crossing in crossings
        )
    curves = _draw_curves(reference, test, fit, patience)
    return tuple(
        _measure_one(curves, rise, crossing)
        for rise, crossing in zip(rises, crossings, strict=True)
    )


def pool_delays(delays: Sequence[Delay]) -> float:
    """Return the typical delay of several rises; NaN for none.

    Huber's estimate with the rises' own standard errors: the weighted mean where the rises differ
    by no more than those, close to the median where they differ by more, so that a rise that went
    wrong hardly moves it. A rise whose error nobody knows counts as the least well known one. It
    has no interval: those that were tried, from the noise of each rise and the differences between
    rises, and from the order of their delays, held the truth in 14 to 97 % of simulated workouts.

    Parameters
    ----------
    delays
        Delays of single rises with their standard errors [s].

    Returns
    -------
    float
        Delay [s]; NaN for none.

    References
    ----------
    Huber 1964, Annals of Mathematical Statistics 35:73 (k = 1.345).
    """
    known = [each for each in delays if np.isfinite(each.value)]
    if not known:
        return NAN
    values = np.array([each.value for each in known], dtype=np.float64)
    errors = np.array([each.error for each in known], dtype=np.float64)
    has_error = np.isfinite(errors) & (errors > 0)
    if not has_error.any():
        return float(np.median(values))
    return _find_centre(values, np.where(has_error, errors, errors[has_error].max()))


def _find_centre(values: FloatArray, errors: FloatArray) -> float:
    """Return Huber's estimate for values with known standard errors."""
    centre = float(np.median(values))
    for _ in range(_CENTRE_STEPS):
        apart = np.abs(values - centre) / errors
        weights = np.minimum(1.0, _HUBER / np.maximum(apart, _HUBER)) / errors**2
        before, centre = centre, float(weights @ values / weights.sum())
        if abs(centre - before) < _SETTLED_S:
            break
    return centre


def _draw_curves(
    reference: FloatArray, test: FloatArray, fit: FirstOrderFit, patience: int
) -> _Curves:
    answer = respond(reference, fit.dead_time, fit.time_constant)
    own = smooth_test(test)
    off = own - answer - fit.offset
    local = compute_running_mean(off, width=_LOCAL_S)
    known = np.abs(local[np.isfinite(local)])
    spread = float(np.median(known)) * MAD_TO_SD if known.size else NAN
    return _Curves(
        smooth_reference(reference),
        own,
        answer,
        fit.noise.whiten(answer),
        fit.noise.whiten(np.gradient(answer)),
        fit.noise.whiten(own),
        own - answer,
        spread,
        fit,
        patience,
    )


def _measure_one(curves: _Curves, rise: Rise, crossing: tuple[float, float]) -> RiseDelays:
    offset = _find_offset(curves, rise)
    shift, error = _match(curves, rise, offset)
    if not np.isfinite(shift):
        return RiseDelays(*(Delay(value, NAN) for value in crossing))
    return RiseDelays(
        *(
            _measure_level(
                curves, rise, share, shift=shift, error=error, offset=offset, plain=plain
            )
            for share, plain in zip((HALF, NEAR), crossing, strict=True)
        )
    )


def _find_offset(curves: _Curves, rise: Rise) -> float:
    """Return the usual offset, unless the half minute before the rise lies clearly elsewhere."""
    usual = curves.fit.offset
    late = round(max(curves.fit.dead_time, 0.0))
    begin = rise.start + late
    before = curves.local[max(begin - _BASE_S, 0) : begin]
    before = before[np.isfinite(before)]
    own = float(np.median(before)) if before.size else usual
    return own if abs(own - usual) > _OFFSET_ROOM else usual


def _match(curves: _Curves, rise: Rise, offset: float) -> tuple[float, float]:
    """Return how much later than the answer this rise is [s], and its standard error."""
    late = curves.fit.dead_time
    begin = max(round(rise.start + late), 0)
    top = round(rise.end + late)
    ahead = curves.answer[top : top + round(2 * curves.fit.time_constant) + 1]
    end = min(top + (int(np.argmax(ahead)) if ahead.size else 0) + 1, curves.answer.size)
    span = np.arange(begin, end)
    if span.size < _FEWEST_S:
        return NAN, NAN
    # A constant off is seen through the noise filter as well.
    level = offset * (1 - sum(curves.fit.noise.coefficients))
    answer, slope = curves.white_answer[begin:end], curves.white_slope[begin:end]
    padded = np.concatenate(
        [
            np.full(_EARLIEST_S, np.nan),
            curves.white_test - level,
            np.full(curves.patience + _EARLIEST_S, np.nan),
        ]
    )
    shifts = np.arange(-_EARLIEST_S, curves.patience + 1)
    windows = sliding_window_view(padded, span.size)[begin : begin + shifts.size]
    off = windows - answer
    present = np.isfinite(off)
    counts = present.sum(axis=1)
    enough = counts >= max(_FEWEST_S, _LEAST_PRESENT * span.size)
    if not enough.any():
        return NAN, NAN
    squares = np.where(present, off, 0.0)
    misses = np.where(enough, np.square(squares).sum(axis=1) / np.maximum(counts, 1), np.inf)
    shift = float(shifts[int(np.argmin(misses))])
    power = NAN
    for _ in range(_REFINE_STEPS):
        off = _read_between(padded, np.asarray(span + (shift + _EARLIEST_S), np.float64)) - answer
        present = np.isfinite(off) & np.isfinite(slope)
        power = float(np.square(slope[present]).sum())
        if power <= 0:
            return NAN, NAN
        shift -= float(np.clip(off[present] @ slope[present] / power, -1, 1))
    return shift, float(np.sqrt(curves.fit.noise.variance * STEP_S / power))


def _measure_level(
    curves: _Curves,
    rise: Rise,
    share: float,
    *,
    shift: float,
    error: float,
    offset: float,
    plain: float,
) -> Delay:
    """Return the delay at one level, from the moved answer unless the test lies off it there."""
    level = rise.low + share * rise.size
    begin = max(rise.start - _BASE_S, 0)
    own = cross_upward(curves.reference[rise.start : rise.end + _LOCAL_S], level) + rise.start
    until = rise.end + curves.patience
    answered = cross_upward(curves.answer[begin:until], level) + begin
    delay = answered + shift - own
    if np.isfinite(delay):
        around = np.arange(_LOCAL_S) - _LOCAL_S // 2 + round(answered)
        around = around[(around >= 0) & (around < curves.answer.size)]
        off = (
            _read_between(curves.test, np.asarray(around + shift, np.float64))
            - offset
            - curves.answer[around]
        )
        off = off[np.isfinite(off)]
        room = max(_DEVIATES * curves.spread, _LEAST_DEVIATION)
        if not off.size or abs(float(off.mean())) <= room:
            return Delay(delay, error)
    if not np.isfinite(plain):
        return _NO_DELAY
    slope = np.gradient(curves.test)
    near = round(own + plain) if np.isfinite(own) else rise.end
    steep = float(slope[near]) if 0 <= near < slope.size else NAN
    return Delay(plain, curves.spread / max(steep, _LEAST_SLOPE) if np.isfinite(steep) else NAN)


def _read_between(values: FloatArray, places: FloatArray) -> FloatArray:
    """Read ``(n,)`` at places between its samples; NaN outside and beside missing ones."""
    low = np.floor(places).astype(np.int64)
    share = places - low
    inside = (low >= 0) & (low + (share > 0) < values.size)
    low = np.clip(low, 0, values.size - 1)
    high = np.minimum(low + 1, values.size - 1)
    between = values[low] + np.where(share > 0, (values[high] - values[low]) * share, 0.0)
    read: FloatArray = np.where(inside, between, np.nan)
    return read
