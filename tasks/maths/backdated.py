"""First samples that a device wrote afterwards, once it had noticed that exercise had begun."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from tasks.maths.arrays import BoolArray, FloatArray

#: Steps that differ by less than this share of their mean are one even speed: distances are written
#: in centimetres, so that steps of a metre and a half differ by under a percent.
_EVEN_SHARE: Final = 0.02
_FEWEST: Final = 3


def count_backdated(
    seconds: FloatArray,
    distance_m: FloatArray,
    is_measured: BoolArray,
    *,
    timer_start_s: float | None,
    lasting_s: float,
) -> int:
    """Return how many of the first ``(n,)`` samples were written afterwards, 0 where none was.

    Two marks tell them. The timer's own start lies later than they do, by more than ``lasting_s``.
    Or they go on for more than ``lasting_s`` at one even speed, as no athlete moves, without
    anything measured (``is_measured``: a heart rate, cadence, power or position), and only then
    measured samples begin. A device that fills in neither even distances nor a late start of the
    timer is not recognised.

    Parameters
    ----------
    seconds
        Times of the first samples, shape ``(n,)``, rising [s].
    distance_m
        Distance counter, shape ``(n,)`` [m].
    is_measured
        Whether a heart rate, cadence, power or position stands beside it, shape ``(n,)``.
    timer_start_s
        Start of the timer on the same clock [s]; None where the export has none.
    lasting_s
        Shorter beginnings are left alone [s].

    Returns
    -------
    int
        Number of samples at the start that were filled in; 0 where none was.

    References
    ----------
    Common practice, no source.
    """
    if len(seconds) < _FEWEST:
        return 0
    if timer_start_s is not None and timer_start_s - seconds[0] > lasting_s:
        before = int(np.searchsorted(seconds, timer_start_s, side="left"))
        # A timer that starts after all samples says nothing of when they were written.
        if before < len(seconds):
            return before
    measured = np.flatnonzero(is_measured)
    if not measured.size or measured[0] < _FEWEST:
        return 0
    first = int(measured[0])
    if seconds[first] - seconds[0] <= lasting_s:
        return 0
    return first if _is_even(seconds[:first], distance_m[:first]) else 0


def _is_even(seconds: FloatArray, distance_m: FloatArray) -> bool:
    """Say whether distance grows, and that evenly."""
    known = np.isfinite(distance_m)
    if known.sum() < _FEWEST:
        return False
    steps_s, steps_m = np.diff(seconds[known]), np.diff(distance_m[known])
    if not (steps_s > 0.0).all():
        return False
    speed = steps_m / steps_s
    mean = float(speed.mean())
    return mean > 0.0 and bool(np.abs(speed - mean).max() <= _EVEN_SHARE * mean)
