"""Channels that were recorded and are not used: another unit, or a counter that counts time.

Nothing is computed from them, and nobody is compared with them; results say why.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pyarrow as pa

from tasks.workout.counted_time import find_counted_time
from tasks.workout.unit_mismatch import find_mismatches

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from tasks.core.recording import Recording
    from tasks.maths.arrays import FloatArray
    from tasks.workout.case import Subject, Withheld, Workout

#: A device's own total is that of its counter when both are this near.
_NEAR: Final = 0.03


def withhold_unusable(workout: Workout) -> Workout:
    """Return the workout without the channels that say something else than their name.

    They are missing in the grid, in the samples and, where it says the same, in the device's own
    total; `Subject.withheld` says why. What counts time goes first: it judges no unit.
    """
    for find in (find_counted_time, find_mismatches):
        workout = _withhold_all(workout, find)
    return workout


def _withhold_all(
    workout: Workout, find: Callable[[Workout, Subject], dict[str, Withheld]]
) -> Workout:
    found = {
        subject.recording_id: unused
        for subject in workout.subjects
        if (unused := find(workout, subject))
    }
    if not found:
        return workout
    subjects = tuple(
        _withhold(subject, found.get(subject.recording_id, {})) for subject in workout.subjects
    )
    return replace(workout, subjects=subjects, memo={})


def _withhold(subject: Subject, unused: Mapping[str, Withheld]) -> Subject:
    if not unused:
        return subject
    kept = {name: values for name, values in subject.on_grid.items() if name not in unused}
    recording = subject.recording
    if "distance_m" in unused and _repeats_counter(recording, subject.values("distance_m")):
        recording = replace(recording, header=replace(recording.header, device_distance_m=None))
    samples = recording.samples
    for channel in unused:
        kind = samples.schema.field(channel)
        empty = pa.nulls(samples.num_rows, kind.type)
        samples = samples.set_column(samples.column_names.index(channel), kind, empty)
    return replace(
        subject,
        on_grid=kept,
        recording=replace(recording, samples=samples),
        withheld={**subject.withheld, **unused},
    )


def _repeats_counter(recording: Recording, counter_m: FloatArray) -> bool:
    """Say whether the device's own total is that of its counter, in the same unit."""
    total = recording.header.device_distance_m
    known = counter_m[np.isfinite(counter_m)]
    if total is None or total <= 0 or not known.size:
        return False
    return any(abs(way / total - 1) <= _NEAR for way in (known[-1], known[-1] - known[0]))
