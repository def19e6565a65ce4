"""Clock offset of one recording against another: the order of the methods.

Positions first, then what the body and the machine do (speed, power, altitude, cadence), heart
rate last: alignment by heart rate hides the very lag that is to be measured.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from tasks.maths.geodesy import find_plane_origin, project_to_plane
from tasks.maths.offset import Offset, TrackOffset, estimate_offset, estimate_track_offset
from tasks.workout.signals import Signal, Track, read_signal, read_speed, read_track

if TYPE_CHECKING:
    from config.settings import AlignSettings
    from tasks.core.recording import Recording


@dataclass(frozen=True)
class _Kind:
    """A signal that can set a clock.

    Changes slower than `trend_s` fit at any shift and are taken off; a standard deviation below
    `least_sd` after that is noise.
    """

    method: str
    channel: str
    trend_s: int
    least_sd: float


#: Floors are common practice: about twice the resolution or noise of usual sensors.
_SIGNALS: Final = (
    _Kind("speed", "speed_mps", 120, 0.15),
    _Kind("power", "power_w", 120, 8.0),
    _Kind("altitude", "altitude_m", 600, 1.0),
    _Kind("cadence", "cadence_rpm", 120, 1.5),
)
_HEART_RATE: Final = _Kind("heart_rate", "heart_rate_bpm", 300, 2.0)
#: An offset between tracks is clear when it is this many standard errors from none.
_SURE: Final = 3.0
#: Standard error beyond which tracks say nothing of the clocks [s].
_LARGEST_ERROR_S: Final = 5.0
#: A clear offset brings the tracks at least this much nearer to each other.
_NEARER: Final = 0.9
#: Confidence in two GNSS clocks whose tracks cannot confirm them.
_UNCONFIRMED: Final = 0.7
#: Positions this far apart in time still show where a track ran, which is all that is needed
#: here [s]; the gaps of the grid are narrower.
_TRACK_GAP_S: Final = 30.0


@dataclass(frozen=True)
class Found:
    """An offset [s], what it was found from, how sure it is from 0 to 1, and a note.

    `hint_confidence` is that of the best offset that was not sure enough, -1 where there is none.
    """

    offset_s: float
    method: str
    confidence: float
    note: str | None = None
    hint_confidence: float = -1.0


def find_offset(
    reference: Recording, test: Recording, *, settings: AlignSettings, is_clock_trusted: bool = True
) -> Found:
    """Find what must be added to the test's times to be on the reference's clock.

    `is_clock_trusted` says that no whole shift had to be applied to either clock; only then do two
    GNSS clocks count as equal without further proof. Method "none" says that nothing was found.
    """
    found = find_offset_by_motion(
        reference, test, settings=settings, is_clock_trusted=is_clock_trusted
    )
    if found.method == "none":
        return find_offset_by_heart_rate(reference, test, settings=settings, otherwise=found)
    return found


def find_offset_by_motion(
    reference: Recording, test: Recording, *, settings: AlignSettings, is_clock_trusted: bool = True
) -> Found:
    """Find the offset by positions, else by the clearest of speed, power, altitude and cadence."""
    by_track = _find_by_track(reference, test, settings=settings, is_clock_trusted=is_clock_trusted)
    if by_track is not None:
        return by_track
    tried = [_find_by_signal(reference, test, kind, settings=settings) for kind in _SIGNALS]
    return _choose([one for one in tried if one is not None], settings=settings)


def find_offset_by_heart_rate(
    reference: Recording, test: Recording, *, settings: AlignSettings, otherwise: Found
) -> Found:
    """Find the offset by heart rate; `otherwise` is what to say where that is not sure either."""
    found = _find_by_signal(reference, test, _HEART_RATE, settings=settings)
    if found is None:
        return otherwise
    chosen = _choose([found], settings=settings)
    if chosen.method == "none":
        return otherwise if otherwise.hint_confidence > chosen.hint_confidence else chosen
    return replace(chosen, note="set by heart rate: a delay of one behind the other is hidden")


def _choose(found: list[Found], *, settings: AlignSettings) -> Found:
    """Take the surest offset; where even that is not sure enough, take none and say what it was."""
    if not found:
        return Found(
            0.0,
            "none",
            0.0,
            "no channel that both recorded varies enough to compare the clocks",
        )
    best = max(found, key=lambda one: one.confidence)
    if best.confidence >= settings.min_confidence:
        return best
    name = best.method.replace("_", " ")
    note = (
        f"the clocks could not be compared: {name} suggests {best.offset_s:+.1f} s with "
        f"confidence {best.confidence:.2f} only"
    )
    return Found(0.0, "none", 0.0, note, hint_confidence=best.confidence)


def _find_by_track(
    reference: Recording, test: Recording, *, settings: AlignSettings, is_clock_trusted: bool
) -> Found | None:
    if not (reference.header.position_kind == test.header.position_kind == "gnss"):
        return None
    one = read_track(reference, max_gap_s=_TRACK_GAP_S)
    other = read_track(test, max_gap_s=_TRACK_GAP_S)
    if one is None or other is None:
        return None
    found = _measure_tracks(one, other, max_offset=round(settings.max_offset_s))
    if not is_clock_trusted:
        is_usable = found is not None and found.standard_error_s <= _LARGEST_ERROR_S
        return _take_track_offset(found) if found is not None and is_usable else None
    if found is None:
        return Found(0.0, "gnss", _UNCONFIRMED, "the tracks could not confirm the clocks")
    is_far = abs(found.offset_s) > settings.clear_offset_s
    is_nearer = found.distance_m <= _NEARER * found.distance_before_m
    is_sure = abs(found.offset_s) >= _SURE * found.standard_error_s
    if is_far and is_nearer and is_sure:
        return _take_track_offset(found)
    return Found(0.0, "gnss", _UNCONFIRMED if is_far else 1.0)


def _take_track_offset(found: TrackOffset) -> Found:
    """Take the offset; its confidence is one half where its standard error is 2 s."""
    confidence = 1.0 / (1.0 + (found.standard_error_s / 2.0) ** 2)
    return Found(round(found.offset_s, 1), "position", confidence)


def _measure_tracks(one: Track, other: Track, *, max_offset: int) -> TrackOffset | None:
    origin = find_plane_origin(one.latitude_deg.values, one.longitude_deg.values)
    planes = [
        project_to_plane(track.latitude_deg.values, track.longitude_deg.values, origin=origin)
        for track in (one, other)
    ]
    return estimate_track_offset(
        (planes[0].east_m, planes[0].north_m),
        (planes[1].east_m, planes[1].north_m),
        reference_start=one.latitude_deg.start_s,
        test_start=other.latitude_deg.start_s,
        max_offset=max_offset,
    )


def _find_by_signal(
    reference: Recording, test: Recording, kind: _Kind, *, settings: AlignSettings
) -> Found | None:
    one, other = (_read(recording, kind, settings=settings) for recording in (reference, test))
    if one is None or other is None:
        return None
    found = _estimate(one, other, kind, max_offset=round(settings.max_offset_s))
    if found is None:
        return None
    return Found(round(found.offset_s, 1), kind.method, found.confidence)


def _read(recording: Recording, kind: _Kind, *, settings: AlignSettings) -> Signal | None:
    gap_s = settings.max_gap_position_s
    if kind.method == "speed":
        return read_speed(recording, max_gap_s=gap_s)
    return read_signal(recording, kind.channel, max_gap_s=gap_s)


def _estimate(one: Signal, other: Signal, kind: _Kind, *, max_offset: int) -> Offset | None:
    return estimate_offset(
        one.values,
        other.values,
        reference_start=one.start_s,
        test_start=other.start_s,
        max_offset=max_offset,
        trend_window=kind.trend_s,
        least_sd=kind.least_sd,
    )
