"""Sessions of a FIT file: which stretch of time each one spans, and what was done in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from tasks.core.activities import name_activity
from tasks.core.units import FIT_EPOCH_S, MICROSECONDS_PER_SECOND
from tasks.readers.fit.fields import (
    CARDIO,
    FIRST_DATE_S,
    MOUNTAIN_SUB_SPORTS,
    SESSION,
    SPORT,
    SPORTS,
    SPORTS_WITH_MOUNTAIN,
    SUB_SPORTS,
    TELLING_SUB_SPORTS,
)

if TYPE_CHECKING:
    from tasks.readers.fit.gather import Gathered, Named

_FOREVER: Final = 1 << 62


@dataclass(frozen=True)
class SessionSpan:
    """One session: everything from `first_micros` up to but without `end_micros` belongs to it.

    Microseconds since 1970-01-01T00:00:00Z. The first session of a file reaches back without end
    and the last one forward, so that nothing falls between. `start_s` is the stated start
    [s since the FIT epoch].
    """

    first_micros: int
    end_micros: int
    start_s: int | None
    values: dict[str, Any]
    sport: str | None

    def holds(self, message: Named) -> bool:
        """Say whether a lap, length or event belongs to this session; without a date, to none."""
        seconds = message.get("start_time", message.get("timestamp"))
        return seconds is not None and self.holds_second(seconds)

    def holds_second(self, seconds: float) -> bool:
        """Say whether `seconds` [since the FIT epoch] is a date in this session."""
        if seconds < FIRST_DATE_S:
            return False
        return self.first_micros <= _to_micros(seconds) < self.end_micros


def list_sessions(gathered: Gathered) -> tuple[SessionSpan, ...]:
    """Return the sessions in order of time; without session messages, one that spans everything.

    Each session ends where the next begins. A session that is written twice (same start) counts
    as its last writing; a session without a start is not separated from its neighbours.
    """
    by_start: dict[int, Named] = {}
    for message in gathered.messages[SESSION]:
        start = _find_start(message)
        if start is not None:
            by_start[start] = message
    if not by_start:
        named = (gathered.messages[SESSION] or gathered.messages[SPORT])[-1:]
        values = named[0] if named else {}
        return (SessionSpan(-_FOREVER, _FOREVER, None, values, name_sport(values)),)
    starts = sorted(by_start)
    borders = [-_FOREVER, *(_to_micros(start) for start in starts[1:]), _FOREVER]
    return tuple(
        SessionSpan(
            borders[place], borders[place + 1], start, by_start[start], name_sport(by_start[start])
        )
        for place, start in enumerate(starts)
    )


def name_sport(values: Named) -> str | None:
    """Return our word for a session's sport and sub-sport numbers; None where there is none."""
    sport, sub_sport = values.get("sport"), SUB_SPORTS.get(values.get("sub_sport", -1))
    if sub_sport in TELLING_SUB_SPORTS:
        return name_activity(sub_sport)
    if sub_sport == CARDIO:
        return "other"
    # Number 0 is "generic": the device does not say.
    if not sport:
        return None
    word = SPORTS.get(sport, f"sport {sport}")
    if word in SPORTS_WITH_MOUNTAIN and sub_sport in MOUNTAIN_SUB_SPORTS:
        return name_activity("mountain_biking")
    return name_activity(word)


def _find_start(message: Named) -> int | None:
    start = message.get("start_time")
    if start is None and "timestamp" in message and "total_elapsed_time" in message:
        start = message["timestamp"] - message["total_elapsed_time"]
    return None if start is None or start < FIRST_DATE_S else int(start)


def _to_micros(seconds: float) -> int:
    return round((seconds + FIT_EPOCH_S) * MICROSECONDS_PER_SECOND)
