"""What was done and where: from the notes, else from the files, else inferred."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.maths.geodesy import compute_distances_m

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tasks.core.notes import Notes
    from tasks.workout.case import Subject

#: Median moving speed that separates walking from running, and running from cycling [m/s]
#: (common practice, no source).
_WALK_TO_RUN_MPS: Final = 2.0
_RUN_TO_RIDE_MPS: Final = 5.0
#: Below this a person stands [m/s].
_STANDING_MPS: Final = 0.5
_INDOOR_PLACES: Final = {
    "treadmill": "treadmill",
    "indoor_running": "treadmill",
    "indoor_walking": "treadmill",
    "indoor_cycling": "trainer",
    "virtual_activity": "trainer",
    "spin": "trainer",
    "lap_swimming": "pool",
    "strength_training": "gym",
    "stair_climbing": "gym",
    "elliptical": "gym",
    "indoor_rowing": "gym",
    "track": "track",
}


@dataclass(frozen=True)
class Activity:
    """The activity, who says so (notes, file or inferred), and the place (None: unknown)."""

    name: str
    source: str
    place: str | None


def name_activity_of(subjects: Sequence[Subject], notes: Notes | None) -> Activity:
    """Name the activity of a workout and its place."""
    place = (notes.place if notes is not None else None) or _find_place(subjects)
    if notes is not None and notes.activity is not None:
        return Activity(notes.activity, "notes", place)
    said = [
        subject.recording.header.sport
        for subject in subjects
        if subject.recording.header.sport not in (None, "other")
    ]
    if said:
        # The word that most devices use; in a tie the first in the alphabet, so that the order of
        # files does not matter.
        counted = Counter(word for word in said if word is not None)
        name = min(counted, key=lambda word: (-counted[word], word))
        return Activity(name, "file", place)
    return Activity(_infer(subjects), "inferred", place)


def _find_place(subjects: Sequence[Subject]) -> str | None:
    headers = [subject.recording.header for subject in subjects]
    for header in headers:
        if header.position_kind == "virtual":
            return "trainer"
        indoor = _INDOOR_PLACES.get(header.sub_sport or "")
        if indoor is not None:
            return indoor
    return "outdoors" if any(header.position_kind == "gnss" for header in headers) else None


def _infer(subjects: Sequence[Subject]) -> str:
    """Infer the activity from the median moving speed over all devices."""
    speeds = np.concatenate([_find_speed(subject) for subject in subjects] or [np.empty(0)])
    moving = speeds[np.isfinite(speeds) & (speeds > _STANDING_MPS)]
    if not len(moving):
        return "other"
    median = float(np.median(moving))
    if median < _WALK_TO_RUN_MPS:
        return "walking"
    return "running" if median < _RUN_TO_RIDE_MPS else "cycling"


def _find_speed(subject: Subject) -> np.ndarray:
    """Return the recorded speed on the grid, else the speed from one position to the next [m/s]."""
    if subject.has("speed_mps"):
        return subject.values("speed_mps")
    latitude, longitude = subject.values("latitude_deg"), subject.values("longitude_deg")
    return compute_distances_m(latitude[:-1], longitude[:-1], latitude[1:], longitude[1:])
