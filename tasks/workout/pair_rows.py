"""Rows of `pairs`: two recordings side by side, second by second."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.tables.arrow import make_table
from tasks.tables.tables import PAIRS

if TYPE_CHECKING:
    import pyarrow as pa

    from tasks.workout.case import Subject, Workout

_PAIR_CHANNELS: Final = {
    "heart_rate_bpm": ("heart_rate_test_bpm", "heart_rate_reference_bpm"),
    "speed_mps": ("speed_test_mps", "speed_reference_mps"),
    "altitude_m": ("altitude_test_m", "altitude_reference_m"),
    "cadence_rpm": ("cadence_test_rpm", "cadence_reference_rpm"),
    "power_w": ("power_test_w", "power_reference_w"),
}


def make_pair_rows(workout: Workout, test: Subject, reference: Subject) -> pa.Table:
    """Return the seconds that both recordings cover, one row each."""
    seconds = np.flatnonzero(reference.covered & test.covered)
    n_rows = len(seconds)
    columns: dict[str, Any] = {
        "time_utc": np.round(workout.grid.seconds[seconds] * 1e6).astype(np.int64),
        "recording_id": [test.recording_id] * n_rows,
        "reference_recording_id": [reference.recording_id] * n_rows,
    }
    for channel, (own, other) in _PAIR_CHANNELS.items():
        columns[own] = test.values(channel)[seconds]
        columns[other] = reference.values(channel)[seconds]
    return make_table(PAIRS, columns)
