"""How fast a device says that the athlete went, second by second."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tasks.workout.signals import read_speed

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tasks.workout.case import Case, Subject, Workout


def get_ground_speed(workout: Workout, subject: Subject) -> NDArray[np.float64] | None:
    """Return the speed on the grid [m/s]: own, else by counter or fixes; None without any."""
    key = f"ground-speed:{subject.recording_id}"
    if key not in workout.memo:
        signal = read_speed(
            subject.recording,
            max_gap_s=workout.settings.align.max_gap_position_s,
            shift_s=subject.alignment.offset_s,
        )
        end_s = workout.grid.start_s + workout.grid.n_seconds
        workout.memo[key] = None if signal is None else signal.cut(workout.grid.start_s, end_s)
    found: NDArray[np.float64] | None = workout.memo[key]
    return found


def get_others_speed(case: Case) -> NDArray[np.float64] | None:
    """Return the median speed of the others that had not paused, NaN where there is none [m/s]."""
    key = f"others-speed:{case.test.recording_id}"
    return case.once_per_workout(key, lambda: _take_median(case))


def _take_median(case: Case) -> NDArray[np.float64] | None:
    speeds = []
    for other in case.others:
        speed = get_ground_speed(case.workout, other)
        if speed is not None and other.device.id != case.test.device.id:
            speeds.append(np.where(other.paused, np.nan, speed))
    if not speeds:
        return None
    stacked = np.vstack(speeds)
    known = np.isfinite(stacked).any(axis=0)
    median = np.full(known.size, np.nan)
    median[known] = np.nanmedian(stacked[:, known], axis=0)
    return median
