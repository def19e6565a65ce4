"""Carries a recording to the grid of its workout and marks where it paused."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tasks.tables.arrow import read_floats, read_micros
from tasks.tables.timer import read_pauses
from tasks.workout.case import GRID_CHANNELS, Grid
from tasks.workout.signals import read_signal, read_track

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from config.settings import AlignSettings
    from tasks.core.recording import Recording

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]

_MICROSECONDS = 1e6
_POSITION = ("latitude_deg", "longitude_deg")


def find_span(recording: Recording, offset_s: float) -> tuple[int, int]:
    """Return the first and last whole second with a sample; of lengths or laps where none is."""
    micros = read_micros(recording.samples)
    if micros.size:
        first_s, last_s = micros[0] / _MICROSECONDS, micros[-1] / _MICROSECONDS
    else:
        first_s, last_s = recording.start_utc.timestamp(), recording.end_utc.timestamp()
    return _round(first_s + offset_s), _round(last_s + offset_s)


def carry_to_grid(
    recording: Recording, grid: Grid, *, offset_s: float, settings: AlignSettings
) -> dict[str, Floats]:
    """Return each recorded channel on the grid, (n_seconds,), NaN where it has no value.

    Stamps are rounded to the nearest second, values of one second averaged, gaps up to the limit
    of the channel bridged by straight lines; nothing is extrapolated. Heart rate that only the
    beats hold comes from them.
    """
    end_s = grid.start_s + grid.n_seconds
    on_grid: dict[str, Floats] = {}
    for channel in GRID_CHANNELS:
        if channel in _POSITION:
            continue
        is_heart_rate = channel == "heart_rate_bpm"
        max_gap_s = settings.max_gap_heart_rate_s if is_heart_rate else settings.max_gap_position_s
        signal = read_signal(recording, channel, max_gap_s=max_gap_s, shift_s=offset_s)
        if signal is not None:
            on_grid[channel] = signal.cut(grid.start_s, end_s)
    track = read_track(recording, max_gap_s=settings.max_gap_position_s, shift_s=offset_s)
    if track is not None:
        on_grid["latitude_deg"] = track.latitude_deg.cut(grid.start_s, end_s)
        on_grid["longitude_deg"] = track.longitude_deg.cut(grid.start_s, end_s)
    return on_grid


def mark_covered(span: tuple[int, int], grid: Grid) -> Booleans:
    """Mark the seconds from the first to the last sample."""
    seconds = grid.start_s + np.arange(grid.n_seconds)
    covered: Booleans = (seconds >= span[0]) & (seconds <= span[1])
    return covered


def mark_paused(recording: Recording, grid: Grid, *, offset_s: float) -> Booleans:
    """Mark the seconds inside which the timer stood, and those between two pieces.

    The seconds of the stop and of the start themselves still count: a sample was taken in them.
    """
    breaks = [
        (stop, np.inf if start is None else float(start))
        for stop, start in read_pauses(recording.events)
    ]
    micros = read_micros(recording.samples)
    ends = np.flatnonzero(np.diff(read_floats(recording.samples, "piece")) != 0)
    breaks += [(micros[end], micros[end + 1]) for end in ends.tolist()]
    paused = np.zeros(grid.n_seconds, dtype=np.bool_)
    for stop, start in breaks:
        first = _round(stop / _MICROSECONDS + offset_s) + 1 - grid.start_s
        last = grid.n_seconds
        if np.isfinite(start):
            last = _round(start / _MICROSECONDS + offset_s) - grid.start_s
        paused[max(first, 0) : max(last, 0)] = True
    return paused


def _round(seconds: float) -> int:
    """Round to the nearest second, halves up, as stamps are."""
    return int(np.floor(seconds + 0.5))
