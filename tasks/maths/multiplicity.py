"""Many questions at once: p values that hold for the whole family of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray


def adjust_after_holm(p_values: FloatArray) -> FloatArray:
    """Adjust p values for the family of questions that they form (Holm).

    Below 0.05 afterwards: at most one family in twenty makes any wrong claim. The k-th smallest
    of m becomes the largest of (m - i + 1) p_i, i <= k, at most 1.

    Parameters
    ----------
    p_values
        Shape ``(n,)``; NaN is not in the family.

    Returns
    -------
    FloatArray
        Adjusted p values, shape ``(n,)``, NaN where the p value is.

    References
    ----------
    Holm 1979, Scandinavian Journal of Statistics 6:65.
    """
    adjusted = np.full(p_values.shape, np.nan)
    asked = np.flatnonzero(np.isfinite(p_values))
    order = asked[np.argsort(p_values[asked], kind="stable")]
    factors = np.arange(order.size, 0, -1)
    adjusted[order] = np.minimum(1.0, np.maximum.accumulate(factors * p_values[order]))
    return adjusted
