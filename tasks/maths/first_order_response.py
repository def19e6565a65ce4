"""The first-order response of a series to itself as input, for one time constant or for many."""

from __future__ import annotations

from itertools import accumulate, count
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray

#: Counts the calls for many time constants in this process.
_CALLS: Final = count()
_CALLS_BEFORE_IMPORT: Final = 100


def respond_first_order(values: FloatArray, time_constant: float) -> FloatArray:
    """Return the first-order response of ``(n_seconds,)`` [1 s grid] to itself as input.

    Solves y' = (x - y) / tau exactly for x running straight between the seconds, starting in
    balance.

    Parameters
    ----------
    values
        Input on a 1 s grid, shape ``(n_seconds,)``, without missing values.
    time_constant
        Tau [s]; 0 returns the input.

    Returns
    -------
    float array ``(n_seconds,)``
        In the unit of the input.
    """
    if time_constant <= 0 or not values.size:
        return values.copy()
    now, before, kept = _weigh(time_constant)
    steps = zip((before * values[:-1]).tolist(), (now * values[1:]).tolist(), strict=True)
    first = float((1 - now) * values[0] + now * values[0])
    response = accumulate(steps, lambda last, step: step[0] + kept * last + step[1], initial=first)
    return np.fromiter(response, dtype=np.float64, count=values.size)


def respond_with_each(values: FloatArray, time_constants: FloatArray) -> list[FloatArray]:
    """Return the response of :func:`respond_first_order` for each time constant, to the bit.

    A process that asks often imports the filter of scipy, which takes as long as a hundred calls.

    Parameters
    ----------
    values
        Input on a 1 s grid, shape ``(n_seconds,)``, without missing values.
    time_constants
        Each tau, shape ``(n_constants,)`` [s].

    Returns
    -------
    list of float arrays ``(n_seconds,)``
        One for each time constant, in order.
    """
    if next(_CALLS) >= _CALLS_BEFORE_IMPORT:
        return [_filter(values, float(one)) for one in time_constants]
    if not values.size:
        return [values.copy() for _ in time_constants]
    now, before, kept = np.array([_weigh(float(one)) for one in time_constants]).T
    responses = np.empty((values.size, time_constants.size))
    last = responses[0] = (1 - now) * values[0] + now * values[0]
    for row, value, earlier in zip(responses[1:], values[1:], values[:-1], strict=True):
        last = np.add(before * earlier + kept * last, now * value, out=row)
    return [
        np.ascontiguousarray(response) if constant > 0 else values.copy()
        for response, constant in zip(responses.T, time_constants, strict=True)
    ]


def _weigh(time_constant: float) -> tuple[float, float, float]:
    """Return the weights of the input now and a second before, and of the last answer."""
    if time_constant <= 0:
        return 1.0, 0.0, 0.0
    kept = float(np.exp(-1 / time_constant))
    return 1 - time_constant * (1 - kept), time_constant * (1 - kept) - kept, kept


def _filter(values: FloatArray, time_constant: float) -> FloatArray:
    """Return the response as scipy's filter computes it."""
    from scipy.signal import lfilter  # noqa: PLC0415 - scipy is slow to import

    if time_constant <= 0 or not values.size:
        return values.copy()
    now, before, kept = _weigh(time_constant)
    state = [(1 - now) * values[0]]
    response, _ = lfilter([now, before], [1.0, -kept], values, zi=state)
    return np.asarray(response, dtype=np.float64)
