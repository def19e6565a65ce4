"""Whether workouts resemble those next to them, and what that costs: lag-one correlation.

A week of one cold, one firmware or one habit makes neighbouring workouts alike; then there are
fewer independent ones than counted.
"""

from __future__ import annotations

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


def estimate_inflation(differences: FloatArray, groups: IntArray) -> float:
    """Return by how much the spread of a mean is larger since neighbours are alike; never below 1.

    Formula: r = lag-one correlation about the mean, averaged over the questions, + (1 + 4 max(r,
    0)) / n for its bias, held in [0, 0.95]; sqrt(1 + 2 sum_k (1 - k/n) r^k).

    Parameters
    ----------
    differences
        Shape ``(n_workouts, m)`` in the order of time; NaN where there is no value.
    groups
        Kind of place of each workout, ``(n_workouts,)``: means are taken within it, since a change
        of place is no resemblance.

    Returns
    -------
    float
        Factor of 1 or more for the standard error of a mean.

    References
    ----------
    Marriott and Pope 1954, Biometrika 41:390; Kendall 1954, Biometrika 41:403 (bias; from memory).
    """
    residuals = _remove_means(differences, groups)
    found = _pool(residuals, np.arange(residuals.shape[0])[np.newaxis])[0]
    if not np.isfinite(found):
        return 1.0
    n = residuals.shape[0]
    corrected = float(np.clip(found + (1 + 4 * max(found, 0.0)) / n, 0.0, _MOST))
    lags = np.arange(1, n)
    return float(np.sqrt(1 + 2 * np.sum((1 - lags / n) * corrected**lags)))


def assess_neighbours(differences: FloatArray, groups: IntArray) -> float:
    """Return the one-sided p of the pooled lag-one correlation by permuting the order of workouts.

    The order is permuted within each kind of place. 1 where there are too few values.

    Parameters
    ----------
    differences, groups
        As in :func:`estimate_inflation`.

    Returns
    -------
    float
        p, 0 to 1.

    References
    ----------
    Permutation test of serial correlation: Wald and Wolfowitz 1943, Annals of Mathematical
    Statistics 14:378 (from memory).
    """
    residuals = _remove_means(differences, groups)
    n = residuals.shape[0]
    generator = np.random.default_rng(_SEED)
    n_orders = N_ORDERS if n <= _MANY else _N_ORDERS_OF_MANY
    orders = np.tile(np.arange(n), (n_orders + 1, 1))
    for group in np.unique(groups):
        there = np.flatnonzero(groups == group)
        orders[1:, there] = generator.permuted(orders[1:, there], axis=1)
    found = _pool(residuals, orders)
    if not np.isfinite(found[0]):
        return 1.0
    return float(np.mean(found >= found[0] - 1e-9))


def _remove_means(differences: FloatArray, groups: IntArray) -> FloatArray:
    """Return what is left about the mean of each group; NaN in groups with a single value."""
    residuals = np.full_like(differences, np.nan)
    for group in np.unique(groups):
        there = groups == group
        values = differences[there]
        counts = np.isfinite(values).sum(axis=0)
        means = np.divide(
            np.nansum(values, axis=0), counts, out=np.full(counts.size, np.nan), where=counts > 1
        )
        residuals[there] = values - means
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
