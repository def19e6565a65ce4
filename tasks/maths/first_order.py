"""How a series answers another: dead time and time constant, each with its interval."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from tasks.maths.arrays import (
    NAN,
    NO_INTERVAL,
    BoolArray,
    FloatArray,
    Interval,
    require_same_shape,
)
from tasks.maths.first_order_response import respond_first_order, respond_with_each
from tasks.maths.smoothing import compute_running_mean, fill_gaps

Kind = Literal["shift", "first order", "both", "cannot be told", "none"]

SMOOTHING_S = 9
#: Residuals this far apart are taken for the noise model: smoothed ones next to each other repeat.
STEP_S = 5
_ORDER = 3
_ROUNDS = 3
_MIN_PAIRS = 30
_PAIRS_PER_COEFFICIENT = 50
_EARLIEST_S = -10
# What rounding both sides to whole numbers leaves after the smoothing: no residual counts as less.
_ROUNDING_VARIANCE = 1 / 12
_LEAST_VARIANCE = _ROUNDING_VARIANCE / SMOOTHING_S
_WHOLE_SHARE = 0.8
_IMPULSE_S = 600
#: Chi-squared with one degree of freedom, 97.5 %: with that of 95 %, intervals hold the truth in
#: 92 % of simulated workouts, as the noise is not quite what the model says.
_INTERVAL = 5.02
_AGAINST = 10.83  # the same, 99.9 %: only this speaks against a simpler response
_TOLD = 2 * float(np.log(20))  # twenty times as likely as the other
_SHORT_S = 1.0
_FINE_S = 0.1
_HALF_SECOND = 0.5


@dataclass(frozen=True, slots=True)
class Noise:
    """What the residuals of a fit are like: autoregressive over steps of ``STEP_S`` seconds.

    ``variance`` is that of the innovations, per step.
    """

    coefficients: tuple[float, ...]
    variance: float

    def whiten(self, values: FloatArray) -> FloatArray:
        """Take off of ``(n_seconds,)`` what the seconds before foretell; NaN where they lack."""
        whitened = values.copy()
        for number, coefficient in enumerate(self.coefficients, start=1):
            whitened -= coefficient * _delay(values, number * STEP_S)
        return whitened


@dataclass(frozen=True, slots=True)
class FirstOrderFit:
    """Dead time and time constant [s] of a response, and how well they are known.

    ``kind`` is the simplest response that the data do not speak against; with "cannot be told" a
    pure shift and a pure first-order response both fit, and ``dead_time`` and ``time_constant``
    are those of the better one. ``delay`` is the sum of the two, which is sharper than either.
    """

    kind: Kind
    dead_time: float = NAN
    time_constant: float = NAN
    offset: float = NAN
    dead_time_interval: Interval = NO_INTERVAL
    time_constant_interval: Interval = NO_INTERVAL
    delay: float = NAN
    delay_interval: Interval = NO_INTERVAL
    noise: Noise = field(default=Noise((), NAN))
    n: int = 0

    def negate(self) -> FirstOrderFit:
        """Return the fit of both series negated."""
        return replace(self, offset=-self.offset)


NO_FIT = FirstOrderFit("none")


def respond(reference: FloatArray, dead_time: float, time_constant: float) -> FloatArray:
    """Return the smoothed response of ``(n_seconds,)`` with dead time, gaps bridged.

    Parameters
    ----------
    reference
        Series on a 1 s grid, shape ``(n_seconds,)``, NaN where missing.
    dead_time
        Pure delay [s].
    time_constant
        Of the first-order response [s].

    Returns
    -------
    float array ``(n_seconds,)``
        In the unit of the reference.
    """
    answer = respond_first_order(smooth_reference(reference), time_constant)
    seconds = np.arange(answer.size, dtype=np.float64)
    return np.interp(seconds - dead_time, seconds, answer).astype(np.float64)


def smooth_reference(reference: FloatArray) -> FloatArray:
    """Return the running mean of what is answered, gaps bridged.

    Parameters
    ----------
    reference
        Series on a 1 s grid, shape ``(n_seconds,)``, NaN where missing.

    Returns
    -------
    float array ``(n_seconds,)``
        In the unit of the reference.
    """
    return fill_gaps(compute_running_mean(reference, width=SMOOTHING_S))


def smooth_test(test: FloatArray) -> FloatArray:
    """Return the running mean of what answers, missing beside gaps.

    A mean that leans to one side of a gap would look like a delay.

    Parameters
    ----------
    test
        Series on a 1 s grid, shape ``(n_seconds,)``, NaN where missing.

    Returns
    -------
    float array ``(n_seconds,)``
        In the unit of the series, NaN beside gaps.
    """
    return compute_running_mean(test, width=SMOOTHING_S, fewest_share=1.0)


def fit_first_order(
    reference: FloatArray,
    test: FloatArray,
    *,
    max_dead_time: int = 30,
    max_time_constant: float = 60.0,
    settle: int = 60,
) -> FirstOrderFit:
    """Fit test(t) = offset + first-order response of reference(t - dead time), gain 1.

    All rises and falls speak together: one likelihood over a grid of both numbers, with
    autoregressive noise, and from its profile the 95 % interval of each and of their sum (the limit
    of the lost likelihood is that of 97.5 %, by which simulated intervals hold the truth in 95 %).
    A negative dead time (the test ahead) is taken only where the data speak against every other.
    The rounding of the reference passes through the filter too, which would be credited for
    smoothing it: what it adds is taken off, 1/12 of a squared unit before the filter. The simplest
    response that fits is chosen: a pure shift or a pure first-order response unless the likelihood
    ratio speaks against both at 0.1 %; which of the two cannot be told unless one is twenty times
    as likely as the other, or both are under a second. Intervals are no narrower than half a second
    to either side, as stamps are whole seconds.

    What it does not tell: whether the device is of first order at all.

    Parameters
    ----------
    reference, test
        Series on a 1 s grid, shape ``(n_seconds,)``, NaN where missing; the reference's gaps are
        filled for the filter but not compared.
    max_dead_time
        Largest dead time that is tried [s].
    max_time_constant
        Largest time constant that is tried [s].
    settle
        First seconds, which only let the filter settle [s].

    Returns
    -------
    FirstOrderFit
        Without a fit for too few pairs.

    Raises
    ------
    ValueError
        If the shapes differ.

    References
    ----------
    Step response of a first-order system with dead time (any text on control); profile likelihood:
    Venzon and Moolgavkar 1988, Applied Statistics 37:87; autoregressive noise: Cochrane and Orcutt
    1949, JASA 44:32.
    """
    require_same_shape(reference, test)
    usable = reference.size - settle - max_dead_time + _EARLIEST_S
    present = np.isfinite(reference)
    if usable < _MIN_PAIRS or present.sum() < _MIN_PAIRS or np.isfinite(test).sum() < _MIN_PAIRS:
        return NO_FIT
    surface = _map_misses(
        reference,
        test,
        constants=_list_constants(max_time_constant),
        dead_times=np.arange(_EARLIEST_S, max_dead_time + 1, dtype=np.float64),
        settle=settle,
    )
    return NO_FIT if surface is None else _read_surface(surface, reference, test, settle)


@dataclass(frozen=True, slots=True)
class _Surface:
    """Twice the lost log-likelihood ``(n_constants, n_dead_times)`` against the best place."""

    constants: FloatArray
    dead_times: FloatArray
    lost: FloatArray
    noise: Noise
    n: int


def _list_constants(longest: float) -> FloatArray:
    near = np.concatenate([np.arange(0.0, 6.0, 0.5), np.arange(6.0, 12.0)])
    far = np.geomspace(12.0, max(longest, 13.0), 16)
    constants: FloatArray = np.concatenate([near, far])
    return constants[constants <= max(longest, 2.0)]


def _map_misses(
    reference: FloatArray,
    test: FloatArray,
    *,
    constants: FloatArray,
    dead_times: FloatArray,
    settle: int,
) -> _Surface | None:
    """Compute the misses of all pairs, with a noise model found in rounds of its own."""
    ahead = -int(dead_times[0])
    inside = slice(settle, reference.size - int(dead_times[-1]))
    smooth, present = smooth_reference(reference), np.isfinite(reference)
    answers = respond_with_each(smooth, constants)
    own = smooth_test(test)
    rounding = _ROUNDING_VARIANCE if _is_whole(reference) else 0.0
    impulses = _answer_impulse(constants)
    noise = Noise((), NAN)
    # Neighbours on the grid of constants hardly differ: the noise is sought on every third.
    chosen = np.arange(constants.size)[::3]
    for number in range(_ROUNDS + 1):
        is_last = number == _ROUNDS
        rows = np.arange(constants.size) if is_last else chosen
        # A test that is earlier by the first dead time has dead times from zero on.
        later = np.concatenate([np.full(ahead, np.nan), noise.whiten(own)])[settle:]
        lags = dead_times.size
        misses = _Misses.prepare(noise.whiten(np.where(present, smooth, np.nan))[inside], later)
        if misses.pairs.size < lags or misses.pairs.min() < _MIN_PAIRS:
            return None
        lost = np.full((rows.size, lags), np.nan)
        credited = np.zeros(rows.size)
        for row, index in enumerate(rows):
            variances = misses.measure(noise.whiten(answers[index])[inside])
            credited[row] = rounding * float(np.nansum(np.square(noise.whiten(impulses[index]))))
            lost[row] = variances - credited[row]
        best_row, best_lag = np.unravel_index(int(np.argmin(lost)), lost.shape)
        least = float(lost[best_row, best_lag])
        variance = max(least + credited[best_row], _LEAST_VARIANCE)
        pairs = int(misses.pairs[best_lag])
        if is_last:
            scaled = (lost - least) / variance * pairs / STEP_S
            return _Surface(
                constants, dead_times, scaled, Noise(noise.coefficients, variance), pairs
            )
        dead = int(dead_times[best_lag])
        residuals = own - _delay(np.where(present, answers[rows[best_row]], np.nan), dead)
        residuals[: settle + max(dead, 0)] = np.nan
        noise = Noise(_fit_memory(residuals), NAN)
    return None


@dataclass(frozen=True, slots=True)
class _Misses:
    """Everything about the variance of test minus answer that all answers share."""

    here: BoolArray
    later: FloatArray
    has_later: FloatArray
    pairs: FloatArray
    later_sums: FloatArray
    later_squares: FloatArray
    centre: float

    @classmethod
    def prepare(cls, answer: FloatArray, later: FloatArray) -> _Misses:
        """Take where answers are present, and the test from the first dead time on."""
        here, there = np.isfinite(answer), np.isfinite(later)
        # Centring first keeps the sums of squares small and their differences exact.
        centre = float(later[there].mean()) if there.any() else 0.0
        kept = np.where(there, later - centre, 0.0)
        has_answer, has_later = here.astype(np.float64), there.astype(np.float64)
        return cls(
            here,
            kept,
            has_later,
            np.correlate(has_later, has_answer, "valid"),
            np.correlate(kept, has_answer, "valid"),
            np.correlate(kept * kept, has_answer, "valid"),
            centre,
        )

    def measure(self, answer: FloatArray) -> FloatArray:
        """Return the variance of test minus answer for each dead time."""
        x = np.where(self.here, answer - self.centre, 0.0)
        enough = np.maximum(self.pairs, 1.0)
        means = (self.later_sums - np.correlate(self.has_later, x, "valid")) / enough
        squares = (
            self.later_squares
            + np.correlate(self.has_later, x * x, "valid")
            - 2 * np.correlate(self.later, x, "valid")
        ) / enough
        variances: FloatArray = np.maximum(squares - means**2, 0.0)
        return variances


def _read_surface(
    surface: _Surface, reference: FloatArray, test: FloatArray, settle: int
) -> FirstOrderFit:
    """Read the simplest response and the intervals from the likelihood of all pairs."""
    from scipy.interpolate import RectBivariateSpline  # noqa: PLC0415 - scipy is slow to import

    longest = float(surface.constants[-1])
    constants = np.concatenate([np.arange(0.0, 12.0, _FINE_S), np.geomspace(12.0, 90.0, 160)])
    constants = constants[constants <= longest]
    first, last = float(surface.dead_times[0]), float(surface.dead_times[-1])
    dead_times = np.arange(round(first / _FINE_S), round(last / _FINE_S) + 1) * _FINE_S
    spline = RectBivariateSpline(surface.constants, surface.dead_times, surface.lost)
    lost: FloatArray = spline(constants, dead_times)
    causal = dead_times >= 0
    if lost[:, causal].min() - lost.min() <= _AGAINST:
        dead_times, lost = dead_times[causal], lost[:, causal]
    lost = lost - lost.min()
    row, column = (int(place) for place in np.unravel_index(int(np.argmin(lost)), lost.shape))
    at_zero = int(np.argmin(np.abs(dead_times)))
    shift, plain = int(np.argmin(lost[0])), int(np.argmin(lost[:, at_zero]))
    lost_shift, lost_plain = float(lost[0, shift]), float(lost[plain, at_zero])
    kind = _choose_kind(lost_shift, lost_plain, delay=float(constants[row] + dead_times[column]))
    if kind != "both":
        row, column = (0, shift) if lost_shift <= lost_plain else (plain, at_zero)
    dead_time, constant = float(dead_times[column]), float(constants[row])
    inside = lost < _INTERVAL
    rows, columns = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
    delays = (constants[:, None] + dead_times[None, :])[inside]
    answer = np.where(np.isfinite(reference), respond(reference, dead_time, constant), np.nan)
    residuals = (smooth_test(test) - answer)[settle:]
    known = residuals[np.isfinite(residuals)]
    return FirstOrderFit(
        kind,
        dead_time,
        constant,
        float(np.median(known)) if known.size else 0.0,
        _widen(
            dead_times[columns[0]], dead_times[columns[-1]], dead_time, least=float(dead_times[0])
        ),
        _widen(constants[rows[0]], constants[rows[-1]], constant, least=0.0),
        dead_time + constant,
        _widen(delays.min(), delays.max(), dead_time + constant, least=-np.inf),
        surface.noise,
        surface.n,
    )


def _choose_kind(lost_shift: float, lost_plain: float, *, delay: float) -> Kind:
    """Choose by the log-likelihood that a pure shift and a pure first-order response lose."""
    if min(lost_shift, lost_plain) > _AGAINST:
        return "both"
    # Of a delay this short each part is known to be short, whichever of the two it is.
    if abs(lost_shift - lost_plain) < _TOLD and delay > _SHORT_S:
        return "cannot be told"
    return "shift" if lost_shift <= lost_plain else "first order"


def _widen(low: float, high: float, value: float, *, least: float) -> Interval:
    """Widen an interval to half a second on either side of its value, within what can be."""
    return Interval(
        max(min(float(low), value - _HALF_SECOND), least), max(float(high), value + _HALF_SECOND)
    )


def _delay(values: FloatArray, seconds: int) -> FloatArray:
    """Return ``(n,)`` some whole seconds later (earlier where negative), NaN moving in."""
    moved = np.full(values.size, np.nan)
    if seconds >= 0:
        moved[seconds:] = values[: max(values.size - seconds, 0)]
    else:
        moved[:seconds] = values[-seconds:]
    return moved


def _is_whole(values: FloatArray) -> bool:
    known = values[np.isfinite(values)]
    return bool(np.mean(known == np.round(known)) >= _WHOLE_SHARE)


def _answer_impulse(constants: FloatArray) -> list[FloatArray]:
    """Return the answer to a single second of 1 after the smoothing, for each time constant."""
    impulse = np.zeros(_IMPULSE_S)
    begin = 1 + _ORDER * STEP_S
    impulse[begin : begin + SMOOTHING_S] = 1 / SMOOTHING_S
    return respond_with_each(impulse, constants)


def _fit_memory(residuals: FloatArray) -> tuple[float, ...]:
    """Fit the autoregression of residuals ``(n_seconds,)`` over steps, by least squares."""
    centred = residuals - np.nanmedian(residuals) if np.isfinite(residuals).any() else residuals
    before = np.stack([_delay(centred, k * STEP_S) for k in range(1, _ORDER + 1)], axis=1)
    known = np.isfinite(centred) & np.isfinite(before).all(axis=1)
    if known.sum() < _PAIRS_PER_COEFFICIENT * _ORDER:
        return ()
    solution = np.linalg.lstsq(before[known], centred[known], rcond=None)[0]
    return tuple(float(value) for value in solution)
