"""Instants as integers of microseconds since 1970-01-01T00:00:00Z, and which of them can be."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

Integers = NDArray[np.int64]

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)
#: Sports devices with clocks set by satellite are younger than 1990 (common practice, no source).
EARLIEST: Final = datetime(1990, 1, 1, tzinfo=UTC)
LATEST: Final = datetime(2100, 1, 1, tzinfo=UTC)
#: No single activity spreads over more than this around its median instant; a time beyond it
#: comes from a clock that was set while recording, or from a damaged digit
#: (common practice, no source).
FARTHEST: Final = timedelta(days=15)


def to_microseconds(instant: datetime) -> int:
    """Return an aware instant as microseconds since 1970-01-01T00:00:00Z, exactly."""
    return (instant - _EPOCH) // _MICROSECOND


def from_microseconds(microseconds: int) -> datetime:
    """Return microseconds since 1970-01-01T00:00:00Z as an aware instant."""
    return _EPOCH + int(microseconds) * _MICROSECOND


def find_possible(microseconds: Integers) -> NDArray[np.bool_]:
    """Say which instants, shape (n,), can belong to one activity recorded by a set clock.

    Outside 1990 to 2100, or more than 15 days from the median of those inside, they cannot.
    """
    possible = (microseconds >= to_microseconds(EARLIEST)) & (
        microseconds < to_microseconds(LATEST)
    )
    if possible.any():
        middle = np.median(microseconds[possible])
        possible &= np.abs(microseconds - middle) <= FARTHEST // _MICROSECOND
    return possible
