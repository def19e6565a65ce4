"""Rows of `pairs`: a recording and what it is compared with side by side, second by second."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa

from tasks.tables.arrow import make_table
from tasks.tables.tables import PAIRS
from tasks.workout.scored import NOT_COMPARED, REASONS, SCORED

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tasks.core.registers import Against
    from tasks.workout.case import Reference, Subject, Workout
    from tasks.workout.scored import Booleans, Floats, Scored

#: Channels that metrics score second by second: kind of comparison, channel, name and unit here.
SCORED_CHANNELS: Final[Mapping[Against, tuple[str, str, str]]] = {
    "heart_rate": ("heart_rate_bpm", "heart_rate", "bpm"),
    "speed": ("speed_mps", "speed", "mps"),
    "altitude": ("altitude_m", "altitude", "m"),
}
#: Channels that no metric scores; they are here to be looked at.
_OTHER_CHANNELS: Final = (("cadence_rpm", "cadence", "rpm"), ("power_w", "power", "w"))


def make_pair_rows(
    workout: Workout,
    test: Subject,
    references: Mapping[Against, Reference],
    scored: Mapping[Against, Scored],
) -> pa.Table:
    """Return the seconds in which what `test` is compared with has a place, one row each.

    `references` are one device or one consensus, by what it is the reference of; `scored` holds
    what metrics count, for those of `SCORED_CHANNELS` that are compared with it.
    """
    first = next(iter(references.values()))
    subject = first.subject
    seconds = np.flatnonzero(_join_covered(workout, list(references.values())))
    columns: dict[str, Any] = {
        "time_utc": np.round(workout.grid.seconds[seconds] * 1e6).astype(np.int64),
        "recording_id": pa.repeat(test.recording_id, seconds.size),
        "device_id": pa.repeat(test.device.id, seconds.size),
        "reference": pa.repeat(first.name, seconds.size),
        "reference_recording_id": pa.repeat(
            pa.scalar(None if subject is None else subject.recording_id, pa.string()), seconds.size
        ),
    }
    for kind, (channel, name, unit) in SCORED_CHANNELS.items():
        found = scored.get(kind)
        own = test.values(channel) if found is None else found.test
        other = _read_channel(workout, subject, channel) if found is None else found.reference
        codes = np.full(own.shape, NOT_COMPARED) if found is None else found.codes
        columns[f"{name}_test_{unit}"] = own[seconds]
        columns[f"{name}_reference_{unit}"] = other[seconds]
        columns[f"{name}_is_scored"] = codes[seconds] == SCORED
        columns[f"{name}_unscored_because"] = pa.array(REASONS, pa.string()).take(
            pa.array(codes[seconds])
        )
    for channel, name, unit in _OTHER_CHANNELS:
        columns[f"{name}_test_{unit}"] = test.values(channel)[seconds]
        columns[f"{name}_reference_{unit}"] = _read_channel(workout, subject, channel)[seconds]
    return make_table(PAIRS, columns)


def _join_covered(workout: Workout, references: list[Reference]) -> Booleans:
    covered = np.zeros(workout.grid.n_seconds, dtype=np.bool_)
    for reference in references:
        if reference.covered is not None:
            covered |= reference.covered
    return covered


def _read_channel(workout: Workout, subject: Subject | None, channel: str) -> Floats:
    if subject is None:
        return np.full(workout.grid.n_seconds, np.nan)
    return subject.values(channel)
