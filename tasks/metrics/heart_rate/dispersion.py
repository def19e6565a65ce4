"""Intervals of the spread of errors, and of what is made of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tasks.maths.arrays import NO_INTERVAL, Interval
from tasks.maths.intervals import recover_sum_interval, spread_interval

if TYPE_CHECKING:
    from tasks.metrics.heart_rate.compared import Compared


def take_root(interval: Interval) -> Interval:
    """Return the interval of a spread from that of its square."""
    return Interval(float(np.sqrt(interval.low)), float(np.sqrt(interval.high)))


def estimate_sd(compared: Compared) -> tuple[float, Interval]:
    """Return the standard deviation freed of its bias, and its interval, of two errors or more.

    Errors that resemble their neighbours spread less within a workout than they do at large: the
    mean square about their own mean has the expectation sigma^2 (1 - 1 / n_eff). *Source*: Bayley
    and Hammersley 1946, JRSS Supplement 8:184; interval by blocks of squares on a logarithmic
    scale, own choice, checked by simulation.
    """
    squares = np.square(compared.error - compared.error.mean())
    found = compared.estimate_error(squares)
    worth = compared.effective_n
    # Errors that do not vary have no effective number, and no bias either.
    seen = 1 - 1 / worth if np.isfinite(worth) else 1.0
    if seen <= 0:
        return float("nan"), NO_INTERVAL
    variance = float(squares.mean()) / seen
    interval = spread_interval(variance, found.compute_half_width() / seen, scale="log")
    return float(np.sqrt(variance)), take_root(interval)


def estimate_limit(compared: Compared, factor: float) -> Interval:
    """Return the interval of bias + factor SD from those of both and how they go together.

    *Source*: Zou 2013, Statistical Methods in Medical Research 22:630 (MOVER), here with the
    correlation of bias and SD, which errors with a tail to one side have.
    """
    bias = float(compared.error.mean())
    sd, sd_interval = estimate_sd(compared)
    ends = sorted((factor * sd_interval.low, factor * sd_interval.high))
    together = compared.correlate(compared.error, np.square(compared.error - bias))
    return recover_sum_interval(
        (bias, factor * sd),
        (compared.estimate_interval(compared.error), Interval(ends[0], ends[1])),
        correlation=together if factor > 0 else -together,
    )
