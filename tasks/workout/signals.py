"""One channel of a recording as a series with a value per whole second.

What pairing and alignment look at; the native samples stay untouched.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.maths.beat_rate import derive_heart_rate
from tasks.maths.geodesy import compute_leg_lengths
from tasks.maths.resample import (
    average_per_second,
    interpolate_to_grid,
    round_to_seconds,
    widen_gap,
)
from tasks.maths.smoothing import compute_running_mean
from tasks.tables.arrow import read_floats, read_micros

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tasks.core.recording import Recording

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

#: Heart rate from beats: beats per time in this window [s], that of `heart_rate.beats_window_s` at
#: its default, whose reason stands in `metrics.heart_rate.reference`.
BEAT_WINDOW_S: Final = 7.0
#: Beats that come with a rate and no interval bridge gaps up to this [s].
_MAX_GAP_S: Final = 5.0
#: Speed that no device gave is the way over this window [s]: one second of fixes is mostly noise.
_SPEED_WINDOW_S: Final = 5
_TURN_DEG: Final = 360.0
_MICROSECONDS: Final = 1e6


@dataclass(frozen=True)
class Signal:
    """Values of whole seconds from `start_s` on, shape (n_seconds,), NaN where missing."""

    start_s: int
    values: Floats

    @property
    def end_s(self) -> int:
        """The second after the last one."""
        return self.start_s + self.values.size

    def cut(self, start_s: int, end_s: int) -> Floats:
        """Return the values of the seconds from `start_s` to before `end_s`, NaN outside."""
        values = np.full(max(end_s - start_s, 0), np.nan)
        low, high = max(start_s, self.start_s), min(end_s, self.end_s)
        if low < high:
            values[low - start_s : high - start_s] = self.values[
                low - self.start_s : high - self.start_s
            ]
        return values


@dataclass(frozen=True)
class Track:
    """Positions of whole seconds; both signals have the same seconds."""

    latitude_deg: Signal
    longitude_deg: Signal


def read_signal(
    recording: Recording, channel: str, *, max_gap_s: float, shift_s: float = 0.0
) -> Signal | None:
    """Return `channel` per second, `shift_s` added to the stamps; None where nothing was recorded.

    Stamps are rounded to the nearest second, values within one second averaged, gaps of at most
    `max_gap_s`, or of three usual intervals of the recording, bridged by straight lines. Heart
    rate that only the beats hold is taken from them.
    """
    samples = recording.samples
    seconds, values = average_per_second(
        _read_stamps(recording, shift_s), read_floats(samples, channel)
    )
    if not seconds.size:
        if channel == "heart_rate_bpm":
            return _derive_heart_rate(recording, shift_s=shift_s)
        return None
    grid = np.arange(seconds[0], seconds[-1] + 1)
    gap_s = widen_gap(seconds, max_gap_s)
    return Signal(int(seconds[0]), interpolate_to_grid(grid, seconds, values, max_gap_s=gap_s))


def read_track(recording: Recording, *, max_gap_s: float, shift_s: float = 0.0) -> Track | None:
    """Return the positions per second, right across 180 degrees; None where there are none."""
    stamps = _read_stamps(recording, shift_s)
    latitude = read_floats(recording.samples, "latitude_deg")
    longitude = read_floats(recording.samples, "longitude_deg")
    known = np.isfinite(latitude) & np.isfinite(longitude)
    if not known.any():
        return None
    # Neighbouring longitudes are written so that none jumps by a turn; the middle is what counts.
    unrolled = np.unwrap(longitude[known], period=_TURN_DEG)
    seconds, mean_latitude = average_per_second(stamps[known], latitude[known])
    _, mean_longitude = average_per_second(stamps[known], unrolled)
    grid = np.arange(seconds[0], seconds[-1] + 1)
    gap_s = widen_gap(seconds, max_gap_s)
    carried = interpolate_to_grid(grid, seconds, mean_longitude, max_gap_s=gap_s)
    start_s = int(seconds[0])
    return Track(
        Signal(start_s, interpolate_to_grid(grid, seconds, mean_latitude, max_gap_s=gap_s)),
        Signal(start_s, wrap_longitude(carried)),
    )


def read_speed(recording: Recording, *, max_gap_s: float, shift_s: float = 0.0) -> Signal | None:
    """Return the speed [m/s]: the device's own, else from its distance, else from its positions.

    Derived speed is centred, so that it is not late; it is good for alignment, and is never
    written as if the device had given it.
    """
    own = read_signal(recording, "speed_mps", max_gap_s=max_gap_s, shift_s=shift_s)
    if own is not None:
        return own
    distance = read_signal(recording, "distance_m", max_gap_s=max_gap_s, shift_s=shift_s)
    if distance is not None:
        return Signal(distance.start_s, _differ(distance.values))
    track = read_track(recording, max_gap_s=max_gap_s, shift_s=shift_s)
    if track is None or track.latitude_deg.values.size <= 1:
        return None
    latitude, longitude = track.latitude_deg.values, track.longitude_deg.values
    known = np.isfinite(latitude)
    legs = np.zeros(latitude.size)
    at = np.flatnonzero(known)
    legs[at[1:]] = compute_leg_lengths(latitude[known], longitude[known])
    way = np.where(known, np.cumsum(legs), np.nan)
    return Signal(track.latitude_deg.start_s, _differ(way))


def wrap_longitude(longitude_deg: Floats) -> Floats:
    """Return longitudes in [-180, 180); those that are keep every bit."""
    half = _TURN_DEG / 2
    outside = (longitude_deg < -half) | (longitude_deg >= half)
    wrapped = (longitude_deg + half) % _TURN_DEG - half
    return np.where(outside, wrapped, longitude_deg)


def _read_stamps(recording: Recording, shift_s: float) -> Integers:
    micros = read_micros(recording.samples) + round(shift_s * _MICROSECONDS)
    return round_to_seconds(micros.astype(np.int64))


def _differ(way: Floats) -> Floats:
    """Return the centred slope of a way per second over the speed window."""
    ahead, behind = _SPEED_WINDOW_S - _SPEED_WINDOW_S // 2, _SPEED_WINDOW_S // 2
    padded = np.pad(way, (behind, ahead), constant_values=np.nan)
    slope = (padded[behind + ahead :] - padded[: -(behind + ahead)]) / (behind + ahead)
    # The slope belongs to the middle of its window: half a second after the whole second.
    return compute_running_mean(slope[: way.size], width=2, fewest_share=1.0)


def _derive_heart_rate(recording: Recording, *, shift_s: float) -> Signal | None:
    """Return heart rate from the beats: as sent with them, else beats per time in a window."""
    beats = recording.beats
    if not beats.num_rows:
        return None
    at = read_micros(beats) / _MICROSECONDS + shift_s
    known = np.isfinite(at)
    at, intervals = at[known], read_floats(beats, "rr_s")[known]
    if not np.isfinite(intervals).any():
        seconds, values = average_per_second(
            round_to_seconds((at * _MICROSECONDS).astype(np.int64)),
            read_floats(beats, "heart_rate_bpm")[known],
        )
        if not seconds.size:
            return None
        grid = np.arange(seconds[0], seconds[-1] + 1)
        carried = interpolate_to_grid(grid, seconds, values, max_gap_s=_MAX_GAP_S)
        return Signal(int(seconds[0]), carried)
    start_s, end_s = int(np.ceil(at[0])), int(np.floor(at[-1]))
    if end_s < start_s:
        return None
    grid_s = np.arange(start_s, end_s + 1, dtype=np.float64)
    rate = derive_heart_rate(at, intervals, grid_s, window_s=BEAT_WINDOW_S)
    return Signal(start_s, rate.values) if np.isfinite(rate.values).any() else None
