"""Whether workouts resemble those next to them, and what that costs: lag-one correlation.

A week of one cold, one firmware or one habit makes neighbouring workouts alike; then there are
fewer independent ones than counted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray, IntArray

#: Fewer values of a question say nothing about neighbours.
FEWEST_NEIGHBOURS = 4
_MOST = 0.95
_SEED = 20260302
#: Permutations of the order; fewer where there are many workouts, which then say enough.
N_ORDERS = 999
_N_ORDERS_OF_MANY = 199
_MANY = 100


@dataclass(frozen=True, slots=True)
class Resemblance:
    """How alike neighbouring workouts are, and how seldom chance makes them so.

    ``lag_one`` is the pooled correlation beyond that of workouts in random order, ``p_value`` the
    share of random orders in which it is as large.
    """

    lag_one: float
    p_value: float


#: What too few values say.
NO_RESEMBLANCE = Resemblance(0.0, 1.0)


def assess_neighbours(differences: FloatArray, groups: IntArray) -> Resemblance:
    """Return the pooled lag-one correlation, and its one-sided p by permuting the order.

    Formula: r = sum_t e_t e_(t+1) / sum_t e_t^2 about the mean of each question, averaged over
    the questions. The order is permuted within each kind of place, so that places that differ, or
    that follow each other, are no resemblance: they are in every order. From r the mean over the
    orders is taken off, and what is left divided by 1 - 4/n, since the estimate is too near zero.

    Parameters
    ----------
    differences
        Shape ``(n_workouts, m)`` in the order of time; NaN where there is no value.
    groups
        Kind of place of each workout, ``(n_workouts,)``.

    Returns
    -------
    Resemblance
        Correlation and p; 0 and 1 where there are too few values.

    References
    ----------
    Permutation test of serial correlation: Wald and Wolfowitz 1943, Annals of Mathematical
    Statistics 14:378 (from memory). Bias: Marriott and Pope 1954, Biometrika 41:390; Kendall 1954,
    Biometrika 41:403 (from memory).
    """
    residuals = _remove_means(differences)
    n = residuals.shape[0]
    generator = np.random.default_rng(_SEED)
    n_orders = N_ORDERS if n <= _MANY else _N_ORDERS_OF_MANY
    orders = np.tile(np.arange(n), (n_orders + 1, 1))
    for group in np.unique(groups):
        there = np.flatnonzero(groups == group)
        orders[1:, there] = generator.permuted(orders[1:, there], axis=1)
    found = _pool(residuals, orders)
    if not np.isfinite(found[0]):
        return NO_RESEMBLANCE
    beyond = float(found[0] - np.mean(found))
    shrunk = max(1 - 4 / n, 1 / n)
    return Resemblance(beyond / shrunk, float(np.mean(found >= found[0] - 1e-9)))


def compute_inflation(lag_one: float, n: int) -> float:
    """Return by how much the spread of a mean of n is larger since neighbours are alike.

    Formula: sqrt(1 + 2 sum_k (1 - k/n) r^k), r held in [0, 0.95]; never below 1.

    Parameters
    ----------
    lag_one
        Correlation r of neighbouring workouts.
    n
        Number of workouts.

    Returns
    -------
    float
        Factor of 1 or more for the standard error of a mean.
    """
    held = float(np.clip(lag_one, 0.0, _MOST))
    lags = np.arange(1, n)
    return float(np.sqrt(1 + 2 * np.sum((1 - lags / n) * held**lags)))


def _remove_means(differences: FloatArray) -> FloatArray:
    """Return what is left about the mean of each question; NaN where there is a single value."""
    counts = np.isfinite(differences).sum(axis=0)
    means = np.divide(
        np.nansum(differences, axis=0), counts, out=np.full(counts.size, np.nan), where=counts > 1
    )
    residuals: FloatArray = differences - means
    return residuals


def _pool(residuals: FloatArray, orders: IntArray) -> FloatArray:
    """Return the mean lag-one correlation over the questions, for each order ``(n_orders,)``."""
    found = []
    for column in residuals.T:
        known = np.isfinite(column)
        count = int(known.sum())
        total = float(np.nansum(np.square(column)))
        if count < FEWEST_NEIGHBOURS or total == 0:
            continue
        ordered = column[orders]
        if count < column.size:  # those without a value are skipped
            last = np.argsort(~np.isfinite(ordered), axis=1, kind="stable")[:, :count]
            ordered = np.take_along_axis(ordered, last, axis=1)
        found.append(np.sum(ordered[:, 1:] * ordered[:, :-1], axis=1) / total)
    if not found:
        return np.full(orders.shape[0], np.nan)
    pooled: FloatArray = np.mean(found, axis=0)
    return pooled
