"""How fast a device says that the athlete went, second by second."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tasks.workout.signals import read_speed

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from tasks.workout.case import Subject, Workout


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
