"""Opens recordings when their content must decide, and keeps the last few open."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final, TypeVar

import numpy as np

from tasks.maths.geodesy import compute_distances_m
from tasks.maths.offset import estimate_offset
from tasks.workout.signals import Signal, Track, read_signal, read_speed, read_track

if TYPE_CHECKING:
    from tasks.core.members import Candidate
    from tasks.core.recording import Recording

Answer = TypeVar("Answer")

#: Gaps over which signals are carried for a comparison [s].
_MAX_GAP_S: Final = 10.0
#: Recordings kept open: workouts are handled in the order of time, so partners are near.
_KEPT: Final = 24
#: Seconds at which the distance between two tracks is looked at.
_DISTANCE_PLACES: Final = 600
#: Signals by which a recording without a track is given to one of two athletes: channel, slow
#: changes taken off [s], least variation; below this correlation they are not alike.
_LIKENESS: Final = (
    ("heart_rate_bpm", 300, 2.0),
    ("speed_mps", 120, 0.15),
    ("power_w", 120, 8.0),
    ("cadence_rpm", 120, 1.5),
)
_LEAST_LIKENESS: Final = 0.5
_LIKENESS_OFFSET_S: Final = 60
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Placed:
    """A candidate with what is added to its times, and why.

    `runs_through` says that it goes on through other workouts than its own.
    """

    candidate: Candidate
    shift_s: float = 0.0
    note: str | None = None
    runs_through: bool = False

    @property
    def recording_id(self) -> str:
        """Key of the recording."""
        return self.candidate.recording_id

    @property
    def start_s(self) -> float:
        """Start with the shift applied [s since 1970-01-01T00:00:00Z]."""
        return (self.candidate.start_utc - _EPOCH).total_seconds() + self.shift_s

    @property
    def end_s(self) -> float:
        """End with the shift applied [s since 1970-01-01T00:00:00Z]."""
        return (self.candidate.end_utc - _EPOCH).total_seconds() + self.shift_s

    @property
    def duration_s(self) -> float:
        """Length; a single sample stands for one second."""
        return max(self.end_s - self.start_s, 1.0)

    @property
    def has_track(self) -> bool:
        """Say whether its positions are real."""
        return self.candidate.position_kind == "gnss"


def find_overlap_s(first: Placed, second: Placed) -> float:
    """Return for how long both recorded; below 0 is the gap between them."""
    start_s = max(first.start_s, second.start_s)
    end_s = min(first.start_s + first.duration_s, second.start_s + second.duration_s)
    return end_s - start_s


def find_overlap_share(first: Placed, second: Placed) -> float:
    """Return the overlap as a share of the shorter one, at least 0."""
    shorter = min(first.duration_s, second.duration_s)
    return max(find_overlap_s(first, second), 0.0) / shorter


@dataclass
class OpenRecording:
    """A recording with the signals that were asked for; times are its own clock's."""

    recording: Recording
    _signals: dict[str, Signal | None] = field(default_factory=dict)
    _track: list[Track | None] = field(default_factory=list)

    @property
    def track(self) -> Track | None:
        """Positions per second, None where none are real."""
        if not self._track:
            is_real = self.recording.header.position_kind == "gnss"
            found = read_track(self.recording, max_gap_s=_MAX_GAP_S) if is_real else None
            self._track.append(found)
        return self._track[0]

    def signal(self, channel: str) -> Signal | None:
        """Return a channel per second; speed is derived where the device gave none."""
        if channel not in self._signals:
            read = (
                read_speed(self.recording, max_gap_s=_MAX_GAP_S)
                if channel == "speed_mps"
                else read_signal(self.recording, channel, max_gap_s=_MAX_GAP_S)
            )
            self._signals[channel] = read
        return self._signals[channel]


class Library:
    """Recordings by id, opened once while they are among the last few used."""

    def __init__(self, load: Callable[[str], Recording]) -> None:
        self._load = load
        self._open: OrderedDict[str, OpenRecording] = OrderedDict()
        self._answers: dict[tuple[object, ...], Any] = {}

    def open(self, recording_id: str) -> OpenRecording:
        """Return the recording, from the open ones if it is among them."""
        if recording_id not in self._open:
            self._open[recording_id] = OpenRecording(self._load(recording_id))
            if len(self._open) > _KEPT:
                self._open.popitem(last=False)
        self._open.move_to_end(recording_id)
        return self._open[recording_id]

    def once(self, key: tuple[object, ...], compute: Callable[[], Answer]) -> Answer:
        """Return what `compute` gives, computed once for `key`: rounds ask the same again."""
        if key not in self._answers:
            self._answers[key] = compute()
        answer: Answer = self._answers[key]
        return answer

    def measure_distance_m(self, first: Placed, second: Placed) -> float:
        """Return the median distance between two tracks while both recorded [m].

        NaN where one has no real positions or no second is shared.
        """
        if not (first.has_track and second.has_track):
            return float("nan")
        key = ("distance", first.recording_id, second.recording_id, first.shift_s, second.shift_s)
        return self.once(key, lambda: self._measure_distance_m(first, second))

    def _measure_distance_m(self, first: Placed, second: Placed) -> float:
        one = self.open(first.recording_id).track
        other = self.open(second.recording_id).track
        if one is None or other is None:
            return float("nan")
        shift = round(second.shift_s - first.shift_s)
        low = max(one.latitude_deg.start_s, other.latitude_deg.start_s + shift)
        high = min(one.latitude_deg.end_s, other.latitude_deg.end_s + shift)
        if high <= low:
            return float("nan")
        step = max(1, (high - low) // _DISTANCE_PLACES)
        distances = compute_distances_m(
            one.latitude_deg.cut(low, high)[::step],
            one.longitude_deg.cut(low, high)[::step],
            other.latitude_deg.cut(low - shift, high - shift)[::step],
            other.longitude_deg.cut(low - shift, high - shift)[::step],
        )
        known = distances[np.isfinite(distances)]
        return float(np.median(known)) if known.size else float("nan")

    def measure_likeness(self, first: Placed, second: Placed) -> float:
        """Return the highest correlation of a channel that both recorded, at the best small offset.

        0 where no channel varies in both, or none is alike. Slow changes do not count.
        """
        one, other = self.open(first.recording_id), self.open(second.recording_id)
        peaks = [0.0]
        for channel, trend_s, least_sd in _LIKENESS:
            reference, test = one.signal(channel), other.signal(channel)
            if reference is None or test is None:
                continue
            offset = estimate_offset(
                reference.values,
                test.values,
                reference_start=reference.start_s,
                test_start=test.start_s + round(second.shift_s - first.shift_s),
                max_offset=_LIKENESS_OFFSET_S,
                trend_window=trend_s,
                least_sd=least_sd,
            )
            if offset is not None and offset.peak >= _LEAST_LIKENESS:
                peaks.append(offset.peak)
        return max(peaks)
