"""When the parts that the notes name begin and end on the workout's clock."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime

    import numpy as np
    from numpy.typing import NDArray

    from tasks.core.notes import NamedSegment
    from tasks.workout.case import Workout


def find_seconds(workout: Workout, part: NamedSegment) -> NDArray[np.bool_]:
    """Mark the seconds of the grid that a named segment holds; its end is not included."""
    begin, end = find_ends(workout, part)
    seconds = workout.grid.seconds
    return (seconds >= begin) & (seconds < end)


def find_ends(workout: Workout, part: NamedSegment) -> tuple[float, float]:
    """Return start and end of a named segment [s since 1970-01-01T00:00:00Z]."""
    notes = workout.notes
    base = workout.grid.start_s if notes is None else notes.start_utc.timestamp()
    return _place(base, part.from_s, part.from_utc), _place(base, part.to_s, part.to_utc)


def _place(base: float, after_s: float | None, instant_utc: datetime | None) -> float:
    return base + (after_s or 0.0) if instant_utc is None else instant_utc.timestamp()
