"""Names for the array types that the mathematics takes and gives."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

NAN = float("nan")


@dataclass(frozen=True, slots=True)
class Interval:
    """A confidence interval; both ends are NaN where the data hold none."""

    low: float
    high: float

    @property
    def ends(self) -> tuple[float | None, float | None]:
        """Both ends as a result keeps them: None where an end is unknown or without bound."""
        known = math.isfinite(self.low) and math.isfinite(self.high)
        return (self.low, self.high) if known else (None, None)

    def holds(self, value: float) -> bool:
        """Say whether a value lies inside, ends included."""
        return self.low <= value <= self.high

    def reach_to(self, value: float) -> Interval:
        """Return the interval made just wide enough to hold a value; without ends it stays so."""
        if math.isnan(self.low) or math.isnan(self.high):
            return self
        return Interval(min(self.low, value), max(self.high, value))


NO_INTERVAL = Interval(NAN, NAN)


def require_same_shape(first: FloatArray, second: FloatArray) -> None:
    """Refuse two arrays that do not pair up.

    Parameters
    ----------
    first, second
        The two arrays, of any shape.

    Returns
    -------
    None
        Nothing where both have one shape.

    Raises
    ------
    ValueError
        Naming both shapes.
    """
    if first.shape != second.shape:
        raise ValueError(f"arrays must have one shape, found {first.shape} and {second.shape}")
