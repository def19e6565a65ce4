"""The threshold with which the ascent of a recording is summed."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tasks.workout.case import Subject, Workout


def choose_climb_threshold(workout: Workout, subject: Subject) -> float:
    """Return the threshold of ascent and descent, by where the heights come from [m]."""
    limits = workout.settings.elevation
    kind = subject.recording.header.altitude_kind
    if kind == "barometric":
        return limits.barometric_m
    return limits.gnss_m if kind == "gnss" else limits.unknown_m
