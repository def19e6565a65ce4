"""Which seconds a comparison counts and, for every other one, why not.

What a metric scores, what `pairs` holds and what a page draws are made from this one record.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]
    Codes = NDArray[np.int8]

#: Why a second is not scored, by its code; the first code is that of scored seconds.
REASONS: Final = (
    None,
    "paused",
    "the reference has no value",
    "the reference is frozen",
    "spike of the reference",
    "dry start of the reference",
    "the device has no value",
    "not compared with this reference",
    "clock in doubt",
    "set aside",
)
(
    SCORED,
    PAUSED,
    NO_REFERENCE,
    FROZEN,
    SPIKE,
    DRY_START,
    NO_VALUE,
    NOT_COMPARED,
    CLOCK_IN_DOUBT,
    SET_ASIDE,
) = range(len(REASONS))


@dataclass(frozen=True)
class Scored:
    """Both sides of a comparison on the grid, shape (n_seconds,), NaN where a value is missing.

    `reference` keeps the values that are not compared with, so that they can be seen. `codes` are
    places in `REASONS`.
    """

    test: Floats
    reference: Floats
    codes: Codes

    @property
    def is_scored(self) -> Booleans:
        """Mark the seconds that count."""
        scored: Booleans = self.codes == SCORED
        return scored

    @property
    def has_reference(self) -> Booleans:
        """Mark the seconds that would count if the device had a value: what coverage is of."""
        usable: Booleans = (self.codes == SCORED) | (self.codes == NO_VALUE)
        return usable


def score_seconds(
    test: Floats,
    reference: Floats,
    *,
    paused: Booleans,
    flaws: Mapping[int, Booleans] | None = None,
) -> Scored:
    """Return two series with the reason why each second is not scored.

    A pause goes before a missing reference, that before its `flaws` (seconds by code, the first
    one first), those before a missing value of the device.
    """
    codes = np.full(test.shape, SCORED, dtype=np.int8)
    codes[~np.isfinite(test)] = NO_VALUE
    for code, seconds in reversed(list((flaws or {}).items())):
        codes[seconds] = code
    codes[~np.isfinite(reference)] = NO_REFERENCE
    codes[paused] = PAUSED
    return Scored(test, reference, codes)
