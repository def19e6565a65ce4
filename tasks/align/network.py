"""Sets all clocks of a workout against one of them, through other devices where need be."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot
from typing import TYPE_CHECKING, Final

from tasks.align.offsets import find_offset_by_heart_rate, find_offset_by_motion
from tasks.workout.alignment import Alignment

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from config.devices import Device
    from config.settings import AlignSettings
    from tasks.align.offsets import Found
    from tasks.core.recording import Recording

#: What a strap's heart rate is late at most: receivers show the mean of a few beats [s].
#: Common practice, no source.
_ECG_DELAY_S: Final = 2.0


@dataclass(frozen=True)
class Clock:
    """A recording with its pieces joined and whole clock shifts applied, and whose it is.

    `is_trusted` says that its clock needed no whole shift and gave UTC itself.
    """

    recording_id: str
    recording: Recording
    device: Device
    is_trusted: bool = True
    note: str | None = None


def choose_timeline(clocks: Sequence[Clock]) -> Clock:
    """Choose the recording whose clock is the workout's clock.

    A reference device with real positions, else any device with real positions (satellites set its
    clock), else a reference device, else any; among equals the longest. A clock that had to be
    shifted as a whole, or that only counts from its start, comes last.
    """
    return max(clocks, key=_rank)


def set_clocks(
    clocks: Sequence[Clock], *, timeline: Clock, settings: AlignSettings
) -> dict[str, Alignment]:
    """Return the alignment of every recording by id.

    First by what moves, against the timeline itself; what shares nothing with it goes through the
    device that it can be compared with most surely. Only then by heart rate, in the same way.
    What can be compared with nothing keeps its clock, method "none".
    """
    method = "gnss" if timeline.recording.header.position_kind == "gnss" else "none"
    own = Alignment(timeline.recording_id, 0.0, method, 1.0, timeline.note, 0.0)
    network = _Network(timeline, own, settings)
    open_clocks = [clock for clock in clocks if clock is not timeline]
    for clock in open_clocks:
        network.link(clock, [timeline], network.compare_motion)
    for compare in (network.compare_motion, network.compare_heart_rate):
        while network.link_surest(open_clocks, compare):
            pass
    for clock in open_clocks:
        network.leave_alone(clock)
    return network.alignments


class _Network:
    """Recordings whose clocks are set, and what was found between any two."""

    def __init__(self, timeline: Clock, own: Alignment, settings: AlignSettings) -> None:
        self.alignments = {timeline.recording_id: own}
        self._set = [timeline]
        self._timeline = timeline
        self._settings = settings
        self._found: dict[tuple[str, str, str], Found] = {}
        self._explained: dict[str, str] = {}

    def link(
        self, clock: Clock, others: Sequence[Clock], compare: Callable[[Clock, Clock], Found]
    ) -> None:
        """Set a clock by the surest of `others`, if any tells."""
        candidates = [self._reach(other, clock, compare(other, clock)) for other in others]
        sure = [one for one in candidates if one.method != "none"]
        if sure:
            self.alignments[clock.recording_id] = max(sure, key=lambda one: one.confidence)
            self._set.append(clock)

    def link_surest(
        self, clocks: Sequence[Clock], compare: Callable[[Clock, Clock], Found]
    ) -> bool:
        """Set the one clock, of those still open, that can be set most surely."""
        best: tuple[float, str] | None = None
        chosen: tuple[Clock, Alignment] | None = None
        for clock in self._list_open(clocks):
            for other in self._set:
                reached = self._reach(other, clock, compare(other, clock))
                rank = (reached.confidence, clock.recording_id)
                if reached.method != "none" and (best is None or rank > best):
                    best, chosen = rank, (clock, reached)
        if chosen is None:
            return False
        clock, alignment = chosen
        self.alignments[clock.recording_id] = alignment
        self._set.append(clock)
        return True

    def leave_alone(self, clock: Clock) -> None:
        """Keep a clock that nothing could be compared with, and say what was tried."""
        if clock.recording_id in self.alignments:
            return
        tried = self.compare_heart_rate(self._timeline, clock)
        self.alignments[clock.recording_id] = Alignment(
            clock.recording_id,
            0.0,
            "none",
            0.0,
            _join(clock.note, self._explained.get(clock.recording_id, tried.note)),
            doubt_s=tried.doubt_s,
        )

    def compare_motion(self, reference: Clock, test: Clock) -> Found:
        """Compare two recordings by all but heart rate."""
        key = ("motion", reference.recording_id, test.recording_id)
        if key not in self._found:
            self._found[key] = find_offset_by_motion(
                reference.recording,
                test.recording,
                settings=self._settings,
                is_clock_trusted=reference.is_trusted and test.is_trusted,
            )
        return self._found[key]

    def compare_heart_rate(self, reference: Clock, test: Clock) -> Found:
        """Compare two recordings by heart rate."""
        key = ("heart rate", reference.recording_id, test.recording_id)
        if key not in self._found:
            self._found[key] = find_offset_by_heart_rate(
                reference.recording,
                test.recording,
                settings=self._settings,
                otherwise=self.compare_motion(reference, test),
            )
        return self._found[key]

    def _list_open(self, clocks: Sequence[Clock]) -> list[Clock]:
        return [clock for clock in clocks if clock.recording_id not in self.alignments]

    def _reach(self, other: Clock, clock: Clock, found: Found) -> Alignment:
        """Return the alignment of `clock` through `other`, whose clock is set.

        Heart rate cannot tell a late sensor from a clock that is ahead. Clocks are usually right,
        as watches and bicycle computers take the time from satellites or a telephone, and sensors
        are usually late: an offset by heart rate that the delay of a sensor explains is therefore
        left alone, and its clock counts as not confirmed, so no delay is estimated from it.
        Against the workout's own clock that is a delay of up to `usual_delay_s` of an optical
        sensor, whichever of the two it sits in (`_ECG_DELAY_S` for a strap), and only where both
        clocks gave UTC themselves. Through a third device it is anything within `sensor_delay_s`:
        the delay of one of three sensors is likelier than an error of a clock.
        """
        via = self.alignments[other.recording_id]
        offset_s = round(via.offset_s + found.offset_s, 1)
        if found.method == "heart_rate" and self._is_explained(other, clock, offset_s):
            through = "" if other is self._timeline else f"through {other.device.id} "
            self._explained.setdefault(
                clock.recording_id,
                f"heart rate {through}suggests {offset_s:+.1f} s, which the delay of a sensor "
                "explains",
            )
            return Alignment(clock.recording_id, 0.0, "none", 0.0)
        if other is self._timeline:
            method, path = found.method, None
        else:
            # The weakest link names the chain: heart rate anywhere hides delays.
            is_hidden = "heart_rate" in {via.method, found.method}
            is_found = found.method != "none"
            method = "heart_rate" if is_hidden and is_found else found.method
            path = f"set through {other.device.id}"
        return Alignment(
            clock.recording_id,
            offset_s,
            method,
            min(max(via.confidence * found.confidence, 0.0), 1.0),
            _join(clock.note, found.note, path),
            _add_errors(via.standard_error_s, found.standard_error_s),
            found.doubt_s,
        )

    def _is_explained(self, other: Clock, clock: Clock, offset_s: float) -> bool:
        """Say whether sensors that are late explain an offset found by heart rate."""
        if other is not self._timeline:
            return abs(offset_s) <= self._settings.sensor_delay_s
        if not (other.is_trusted and clock.is_trusted):
            return False
        # A late sensor has to be moved forward in time; a late one of the other, backward.
        return -self._get_delay(clock) <= offset_s <= self._get_delay(other)

    def _get_delay(self, clock: Clock) -> float:
        is_ecg = clock.device.heart_rate == "ecg"
        return _ECG_DELAY_S if is_ecg else self._settings.usual_delay_s


def _rank(clock: Clock) -> tuple[bool, bool, bool, bool, float, str]:
    is_reference = clock.device.role == "reference"
    has_gnss = clock.recording.header.position_kind == "gnss"
    span = clock.recording.end_utc - clock.recording.start_utc
    return (
        clock.is_trusted,
        is_reference and has_gnss,
        has_gnss,
        is_reference,
        span.total_seconds(),
        clock.recording_id,
    )


def _add_errors(first_s: float, second_s: float) -> float:
    """Return the standard error of a sum of two offsets; that of a clock that sets others is 0."""
    return second_s if first_s == 0.0 else hypot(first_s, second_s)


def _join(*notes: str | None) -> str | None:
    return "; ".join(note for note in notes if note) or None
