"""Single values of a recording that jump as no heart and no athlete does."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.recording import Recording, Remark
from tasks.core.units import MICROSECONDS_PER_SECOND
from tasks.maths.lone_jumps import find_lone_counts, find_lone_jumps, find_lone_places
from tasks.tables.arrow import read_floats, read_micros

if TYPE_CHECKING:
    from collections.abc import Iterator

#: How far a single value must lie from both neighbours, by channel (common practice, no source):
#: one sample of a displayed heart rate is a mean over several beats.
_LEAST: Final = {
    "heart_rate_bpm": 40.0,
    "altitude_m": 50.0,
    "speed_mps": 15.0,
    "temperature_degc": 15.0,
}
_LEAST_DISTANCE_M: Final = 50.0
#: Faster than any athlete, twice in a row and back [m/s].
_LEAST_MPS: Final = 100.0
#: Neighbours farther away than this say nothing [s].
_REACH_S: Final = 10.0
#: Intervals between beats that no heart keeps: 20 to 300 a minute (common practice, no source).
_RR_S: Final = (0.2, 3.0)


def describe_jumps(recording: Recording) -> list[Remark]:
    """Return one remark for each channel in which single values jump; their count and the first."""
    samples = recording.samples
    seconds = read_micros(samples, "time_utc") / MICROSECONDS_PER_SECOND
    return [
        Remark(
            f"values of {name} leave those beside them and come back at once, as damaged ones do "
            f"(the first: {value:g})",
            count,
        )
        for name, count, value in _find_jumps(recording, seconds)
    ]


def describe_beats(recording: Recording) -> list[Remark]:
    """Return a remark on intervals between beats that no heart keeps."""
    intervals_s = read_floats(recording.beats, "rr_s")
    known = intervals_s[np.isfinite(intervals_s)]
    strange = known[(known < _RR_S[0]) | (known > _RR_S[1])]
    if not strange.size:
        return []
    text = (
        f"intervals between beats are outside {_RR_S[0]:g} to {_RR_S[1]:g} s (the first: "
        f"{strange[0]:g} s): missed, doubled or damaged"
    )
    return [Remark(text, int(strange.size))]


def _find_jumps(recording: Recording, seconds: object) -> Iterator[tuple[str, int, float]]:
    samples = recording.samples
    times = np.asarray(seconds, dtype=np.float64)
    for name, least in _LEAST.items():
        values = read_floats(samples, name)
        rows = find_lone_jumps(times, values, least=least, reach_s=_REACH_S)
        if rows.size:
            yield name, rows.size, float(values[rows[0]])
    distance_m = read_floats(samples, "distance_m")
    rows = find_lone_counts(times, distance_m, least=_LEAST_DISTANCE_M, reach_s=_REACH_S)
    if rows.size:
        yield "distance_m", rows.size, float(distance_m[rows[0]])
    latitude = read_floats(samples, "latitude_deg")
    longitude = read_floats(samples, "longitude_deg")
    rows = find_lone_places(times, latitude, longitude, least_mps=_LEAST_MPS, reach_s=_REACH_S)
    if rows.size:
        yield "position", rows.size, float(latitude[rows[0]])
