"""What was put in: one entry per injected effect, and the true totals of a workout."""

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta


@dataclass(frozen=True)
class Entry:
    """One injected effect: what, on which channel, from when to when, how large.

    Times are true seconds after the start of the workout, not the times of the device's clock.
    `kind` is the word of the findings where there is one, else a word of the simulator's own.
    """

    kind: str
    channel: str
    start_s: float
    end_s: float
    size: float
    unit: str
    detail: dict[str, float | int | str] = field(default_factory=dict)

    def as_json(self, start_utc: datetime) -> dict[str, object]:
        """Return the entry as plain values, with both the true seconds and the true instants."""
        return {
            "kind": self.kind,
            "channel": self.channel,
            "start_s": round(self.start_s, 3),
            "end_s": round(self.end_s, 3),
            "start_utc": format_instant(start_utc, self.start_s),
            "end_utc": format_instant(start_utc, self.end_s),
            "size": round(self.size, 4),
            "unit": self.unit,
            **{
                key: round(value, 6) if isinstance(value, float) else value
                for key, value in sorted(self.detail.items())
            },
        }


def format_instant(start_utc: datetime, seconds: float) -> str:
    """Return an instant in UTC with milliseconds and a Z."""
    instant = (start_utc + timedelta(seconds=round(seconds, 3))).astimezone(UTC)
    return instant.strftime("%Y-%m-%dT%H:%M:%S.") + f"{instant.microsecond // 1000:03d}Z"
