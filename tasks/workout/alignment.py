"""How the clock of a recording was set, and how well it is known."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, nan

#: A clock is said to be right within this many standard errors; within that many seconds: sure.
_SURE_ERRORS = 3.0
_SURE_WITHIN_S = 1.5


@dataclass(frozen=True)
class Alignment:
    """How a recording's clock was set against the workout's clock.

    `offset_s` is what was added to the recording's times; `method` says what it was found from
    (gnss, position, speed, altitude, cadence, power, distance, heart_rate, none). Its
    `standard_error_s` is NaN where it is unknown; `doubt_s` is an offset that much speaks for and
    that was not applied, None where there is none.
    """

    recording_id: str
    offset_s: float
    method: str
    confidence: float
    note: str | None = None
    standard_error_s: float = nan
    doubt_s: float | None = None

    @property
    def is_compared(self) -> bool:
        """Say whether something confirms the clock."""
        return self.method != "none" or self.confidence >= 1

    def describe_clock(self) -> str:
        """Say in a few words how well the clock is known."""
        if self.doubt_s is not None:
            return f"in doubt: perhaps {self.doubt_s:+.0f} s"
        if not self.is_compared:
            return "not compared"
        error_s = _SURE_ERRORS * self.standard_error_s
        return f"+-{ceil(error_s)} s" if error_s > _SURE_WITHIN_S else "sure"
