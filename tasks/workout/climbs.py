"""How the ascent of a recording is summed: smoothing, and how far apart turning points are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tasks.maths.elevation import Climb, accumulate_reversals, smooth_heights

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray
    from tasks.workout.case import Subject, Workout


@dataclass(frozen=True)
class ClimbFilter:
    """How heights are smoothed [s], and how far apart turning points are [m]."""

    threshold_m: float
    window_s: float

    def sum_climb(self, seconds: FloatArray, altitude_m: FloatArray) -> Climb:
        """Sum the climb of heights at rising times, both `(n,)`; NaN is left out."""
        smooth = smooth_heights(seconds, altitude_m, window_s=self.window_s)
        return accumulate_reversals(smooth, threshold_m=self.threshold_m)

    def join(self, other: ClimbFilter) -> ClimbFilter:
        """Return the coarser of two filters: two sides are summed in one way."""
        return ClimbFilter(
            max(self.threshold_m, other.threshold_m), max(self.window_s, other.window_s)
        )

    def __str__(self) -> str:
        """Return the filter in words."""
        return f"threshold {self.threshold_m:g} m, smoothed over {self.window_s:g} s"


def choose_climb_filter(workout: Workout, subject: Subject) -> ClimbFilter:
    """Return the filter of a recording, by where its heights come from."""
    limits = workout.settings.elevation
    kind = subject.recording.header.altitude_kind
    if kind == "barometric":
        return ClimbFilter(limits.barometric_m, limits.barometric_window_s)
    if kind == "gnss":
        return ClimbFilter(limits.gnss_m, limits.gnss_window_s)
    return ClimbFilter(limits.unknown_m, limits.unknown_window_s)
