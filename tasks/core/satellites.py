"""Time of satellite systems, and words for how good a solution is."""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from tasks.core.instants import to_microseconds
from tasks.core.recording import Remark

if TYPE_CHECKING:
    from collections.abc import Iterable

_SECOND: Final = 1_000_000
#: GPS time minus UTC [s] from each instant of UTC on. Source: IERS Bulletin C, numbers 30 to 52,
#: and the definition of GPS time (equal to UTC on 1980-01-06). None was added since 2017.
_LEAPS: Final = (
    (datetime(1999, 1, 1, tzinfo=UTC), 13),
    (datetime(2006, 1, 1, tzinfo=UTC), 14),
    (datetime(2009, 1, 1, tzinfo=UTC), 15),
    (datetime(2012, 7, 1, tzinfo=UTC), 16),
    (datetime(2015, 7, 1, tzinfo=UTC), 17),
    (datetime(2017, 1, 1, tzinfo=UTC), 18),
)
#: From which count of GPS time each of those differences holds [us].
_FROM_US: Final = tuple(to_microseconds(start) + leap * _SECOND for start, leap in _LEAPS)
_GPS_EPOCH_US: Final = to_microseconds(datetime(1980, 1, 6, tzinfo=UTC))
_WEEK_US: Final = 7 * 86_400 * _SECOND


def from_gps_week(week: int, second_of_week: float) -> int:
    """Return a week and second of GPS time as GPS time [us since 1970-01-01, no leap seconds]."""
    return _GPS_EPOCH_US + week * _WEEK_US + round(second_of_week * _SECOND)


def gps_to_utc(micros: int) -> int:
    """Return GPS time [us] as UTC [us since 1970-01-01T00:00:00Z].

    Times before 1999 get the difference of 1999: no such log is read here.
    """
    place = max(0, bisect_right(_FROM_US, micros) - 1)
    return micros - _LEAPS[place][1] * _SECOND


def count_qualities(words: Iterable[str]) -> tuple[Remark, ...]:
    """Return one remark for each kind of solution, e.g. "position by RTK, fixed"."""
    return tuple(
        Remark(f"position by {word}", number) for word, number in Counter(words).most_common()
    )
