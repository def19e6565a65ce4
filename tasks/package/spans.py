"""When the devices of a workout were where nothing of their track is published."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tasks.tables.arrow import read_floats, read_seconds
from tasks.workout.private_places import find_spans

if TYPE_CHECKING:
    from collections.abc import Iterable

    import pyarrow as pa

    from tasks.workout.private_places import Hiding

    #: First and last second, both excluded; infinite where no position shows before or after.
    Span = tuple[float, float]


def find_workout_spans(
    samples: Iterable[tuple[pa.Table, float]], hiding: Hiding, *, track: str
) -> list[Span]:
    """Return the spans of all recordings of a workout on its clock [s].

    Each comes with what is added to its times [s].
    """
    found: list[Span] = []
    for rows, added_s in samples:
        latitude, longitude = (
            read_floats(rows, f"{axis}_deg") for axis in ("latitude", "longitude")
        )
        hidden = hiding.find_hidden(latitude, longitude, track=track)
        if hidden.any():
            known = np.isfinite(latitude) & np.isfinite(longitude)
            found += find_spans(read_seconds(rows) + added_s, hidden, known)
    return found
