"""Clock offset of one recording against another: the order of the methods.

Positions first, then what the body and the machine do (speed, power, altitude, cadence), heart
rate last: alignment by heart rate hides the very lag that is to be measured.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import hypot, isfinite, nan
from typing import TYPE_CHECKING, Final

import numpy as np

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
    # Speed summed up: the noise of single seconds is gone, what is left are pace and stops.
    _Kind("distance", "distance_m", 600, 3.0),
)
_HEART_RATE: Final = _Kind("heart_rate", "heart_rate_bpm", 300, 2.0)
#: An offset between tracks is clear when it is this many standard errors from none.
_SURE: Final = 3.0
#: Standard error beyond which tracks say nothing of the clocks [s].
_LARGEST_ERROR_S: Final = 5.0
#: A clear offset brings the tracks at least this much nearer to each other.
_NEARER: Final = 0.9
#: Part of the error of a clock that whole-second stamps leave [s]: it is never known better.
_LEAST_ERROR_S: Final = 0.15
#: What must be true besides of an offset by heart rate: correlation of the values as they are, and
#: the error left of that at no offset. Own choice by simulation.
_LEAST_RAW_R: Final = 0.5
_LESS_ERROR: Final = 0.75
#: Positions are filtered: they come late by up to this, on a clock that is right [s]. Common
#: practice, no source.
_FILTER_DELAY_S: Final = 8.0
#: A test that leads its reference by more than this does so by a wrong clock [s].
_LARGEST_LEAD_S: Final = 0.5
_FEWEST_PAIRS: Final = 60
#: Confidence in two GNSS clocks whose tracks cannot confirm them.
_UNCONFIRMED: Final = 0.7
#: Positions this far apart in time still show where a track ran, which is all that is needed
#: here [s]; the gaps of the grid are narrower.
_TRACK_GAP_S: Final = 30.0


@dataclass(frozen=True)
class Found:
    """An offset [s], what it was found from, how sure it is from 0 to 1, and a note.

    `standard_error_s` is that of the offset, NaN where it is unknown. `hint_confidence` is that of
    the best offset that was not sure enough, -1 where there is none; `doubt_s` is an offset that
    much speaks for and that was not applied, None where there is none.
    """

    offset_s: float
    method: str
    confidence: float
    note: str | None = None
    hint_confidence: float = -1.0
    standard_error_s: float = nan
    doubt_s: float | None = None


def find_offset(
    reference: Recording, test: Recording, *, settings: AlignSettings, is_clock_trusted: bool = True
) -> Found:
    """Find what must be added to the test's times to be on the reference's clock.

    `is_clock_trusted` says that no whole shift had to be applied to either clock; only then do two
    GNSS clocks count as equal without further proof, and only then does an offset have to exceed
    its standard error by far. Method "none" says that nothing was found.
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
    """Find the offset by positions, else by the clearest of speed, power, altitude and the like."""
    by_track = _find_by_track(reference, test, settings=settings, is_clock_trusted=is_clock_trusted)
    if by_track is not None:
        return _doubt_late_positions(
            by_track, reference, test, settings=settings, is_clock_trusted=is_clock_trusted
        )
    tried = [_find_by_signal(reference, test, kind, settings=settings) for kind in _SIGNALS]
    best = _choose([one for one in tried if one is not None], settings=settings)
    return _keep_right_clock(best, is_clock_trusted=is_clock_trusted)


def find_offset_by_heart_rate(
    reference: Recording, test: Recording, *, settings: AlignSettings, otherwise: Found
) -> Found:
    """Find the offset by heart rate; `otherwise` is what to say where that is not sure either.

    The values as they are must agree there, and much better than without it: what is left of them
    when slow changes are taken off may be alike by chance.
    """
    one, other = (_read(side, _HEART_RATE, settings=settings) for side in (reference, test))
    if one is None or other is None:
        return otherwise
    found = _compare_signals(one, other, _HEART_RATE, settings=settings)
    if found is None:
        return otherwise
    is_like = _agrees_as_it_is(one, other, found.offset_s)
    is_near = abs(found.offset_s) <= settings.sensor_delay_s
    if found.confidence >= settings.min_confidence:
        if is_like and _is_sure(found):
            note = "set by heart rate: a delay of one behind the other is hidden"
            return replace(found, note=note)
        if is_near:
            note = f"heart rate agrees with equal clocks (it suggests {found.offset_s:+.1f} s)"
            return Found(0.0, "none", 0.0, note, found.confidence)
    doubt_s = found.offset_s if is_like and not is_near else None
    if doubt_s is None and otherwise.hint_confidence > found.confidence:
        return otherwise
    return Found(0.0, "none", 0.0, _describe(found), found.confidence, doubt_s=doubt_s)


def _agrees_as_it_is(one: Signal, other: Signal, offset_s: float) -> bool:
    """Say whether two signals correlate at an offset, with a mark less error than without it."""
    at = np.arange(one.start_s, one.start_s + one.values.size)
    x, y = one.values, other.cut(int(at[0]), int(at[-1]) + 1)
    moved = other.cut(int(at[0]) - round(offset_s), int(at[-1]) + 1 - round(offset_s))
    both = np.isfinite(x) & np.isfinite(y) & np.isfinite(moved)
    x, y, moved = x[both], y[both], moved[both]
    if x.size < _FEWEST_PAIRS or min(np.std(x), np.std(moved)) <= 0:
        return False
    error, before = (float(np.mean(np.abs(d - np.median(d)))) for d in (x - moved, x - y))
    r = float(np.corrcoef(x, moved)[0, 1])
    return r >= _LEAST_RAW_R and error <= _LESS_ERROR * before


def _keep_right_clock(found: Found, *, is_clock_trusted: bool) -> Found:
    """Leave a clock alone that may well be right: clocks mostly are.

    A clock that was shifted as a whole, or counts from its start, is not right to a second: there
    the best offset is taken, unless its error is so large that it says nothing.
    """
    if found.method == "none" or (is_clock_trusted and _is_sure(found)):
        return found
    if is_clock_trusted:
        return replace(found, offset_s=0.0)
    if isfinite(found.standard_error_s) and found.standard_error_s > _LARGEST_ERROR_S:
        return Found(0.0, "none", 0.0, _describe(found), found.confidence)
    return found


def _is_sure(found: Found) -> bool:
    """Say whether an offset exceeds its standard error by far."""
    error_s = hypot(found.standard_error_s, _LEAST_ERROR_S)
    return abs(found.offset_s) >= _SURE * error_s


def _doubt_late_positions(
    found: Found,
    reference: Recording,
    test: Recording,
    *,
    settings: AlignSettings,
    is_clock_trusted: bool,
) -> Found:
    """Keep the clocks where an offset between tracks is one of filtered positions.

    Signals that no satellite filter delays decide: power, cadence, else heart rate, in which the
    test would otherwise lead the reference. Where they disagree with the tracks, the clocks stay;
    one that was shifted as a whole is right to no second and is set by them instead.
    """
    if found.method != "position" or abs(found.offset_s) > _FILTER_DELAY_S:
        return found
    kinds = [kind for kind in _SIGNALS if kind.method in {"power", "cadence"}]
    tried = [_find_by_signal(reference, test, kind, settings=settings) for kind in kinds]
    best = _choose([one for one in tried if one is not None], settings=settings)
    if best.method != "none" and isfinite(best.standard_error_s):
        apart_s = abs(best.offset_s - found.offset_s)
        is_apart = apart_s > _SURE * hypot(best.standard_error_s, found.standard_error_s)
        kept = _keep_right_clock(best, is_clock_trusted=is_clock_trusted)
        return replace(kept, note=_say_late(found, best)) if is_apart else found
    heart = _find_by_signal(reference, test, _HEART_RATE, settings=settings)
    if heart is None or heart.confidence < settings.min_confidence:
        return found
    # What the test would be late behind the reference with the tracks' offset, and without it.
    late_s, otherwise_s = found.offset_s - heart.offset_s, -heart.offset_s
    leads = late_s + heart.standard_error_s < -_LARGEST_LEAD_S
    if leads and not is_clock_trusted:
        return replace(heart, note=_say_late(found, heart))
    if leads and 0 <= otherwise_s <= settings.usual_delay_s:
        return Found(0.0, "gnss", _UNCONFIRMED, _say_late(found, heart))
    return found


def _say_late(found: Found, other: Found) -> str:
    name = other.method.replace("_", " ")
    return (
        f"positions suggest {found.offset_s:+.1f} s and {name} {other.offset_s:+.1f} s: the "
        "positions of one are late, not its clock"
    )


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
    return Found(0.0, "none", 0.0, _describe(best), hint_confidence=best.confidence)


def _describe(found: Found) -> str:
    name = found.method.replace("_", " ")
    return (
        f"the clocks could not be compared: {name} suggests {found.offset_s:+.1f} s with "
        f"confidence {found.confidence:.2f} only"
    )


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
    offset_s, error_s = round(found.offset_s, 1), found.standard_error_s
    return Found(offset_s, "position", confidence, standard_error_s=error_s)


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
    return _compare_signals(one, other, kind, settings=settings)


def _compare_signals(
    one: Signal, other: Signal, kind: _Kind, *, settings: AlignSettings
) -> Found | None:
    found = _estimate(one, other, kind, max_offset=round(settings.max_offset_s))
    if found is None:
        return None
    offset_s, error_s = round(found.offset_s, 1), found.standard_error_s
    return Found(offset_s, kind.method, found.confidence, standard_error_s=error_s)


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
