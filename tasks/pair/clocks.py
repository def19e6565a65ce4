"""Clocks that are wrong by whole quarter hours: a zone, summer time, a hand-set watch.

A shift is taken only when another signal agrees and no other shift comes near it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.maths.geodesy import find_plane_origin, project_to_plane
from tasks.maths.match import FewShifts, find_match
from tasks.maths.offset import measure_track_distances

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from config.settings import PairSettings
    from tasks.pair.library import Library, Placed
    from tasks.workout.signals import Track

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

QUARTER_S: Final = 900
#: A clock that is off by quarter hours may be off by this much besides [s].
RESIDUAL_S: Final = 60
#: Steps in which that is looked for in tracks [s]: a cyclist rides 50 m in it.
_RESIDUAL_STEP_S: Final = 5
_TRACK_PLACES: Final = 300
#: A rough look first: most tracks of other days were never near [s], and how far a fast cyclist
#: gets in half such a step.
_ROUGH_STEP_S: Final = 20
_ROUGH_PLACES: Final = 100
_FASTEST_MPS: Final = 15.0
#: Where the right shift brings tracks within the limit for half of the time, it brings them within
#: twice the limit for nearly all of it.
_NEARLY_ALL: Final = 0.9
#: The next best shift must leave the tracks this many times farther apart, and half the limit more.
_CLEARLY_FARTHER: Final = 2.0
#: Signals that may confirm a shift: channel, slow changes taken off [s], least variation.
SIGNALS: Final = (
    ("speed_mps", 300, 0.2),
    ("altitude_m", 900, 3.0),
    ("heart_rate_bpm", 300, 2.0),
)
#: Mean absolute difference up to which two series are one quantity seen by two sensors: in
#: simulated runs of one plan by one athlete it was 3.3 bpm in the median, of one run 1.8 bpm.
_SMALL_ERRORS: Final = {"heart_rate_bpm": 2.2}


@dataclass(frozen=True)
class Shift:
    """A shift that makes a recording fit another one.

    `shift_s` is in whole quarter hours; `signal` says what confirms it; `quality` is higher for
    the better fit, from 0 to 1.
    """

    shift_s: float
    signal: str
    quality: float


def find_shift(
    wrong: Placed, right: Placed, library: Library, *, settings: PairSettings
) -> Shift | None:
    """Find the whole quarter hours that must be added to `wrong` to fit `right`, if they are clear.

    Two real tracks decide alone: where they were never at one place, no likeness of other signals
    counts. Otherwise speed, altitude and heart rate are asked, and the clearest answer is taken.
    """
    shifts = _list_shifts(wrong, right, settings=settings)
    if not shifts.size:
        return None
    one, other = library.open(right.recording_id), library.open(wrong.recording_id)
    base_s = round(wrong.shift_s - right.shift_s)
    if one.track is not None and other.track is not None:
        return _find_by_tracks(one.track, other.track, shifts, base_s, settings=settings)
    found = []
    for channel, trend_s, least_sd in SIGNALS:
        reference, test = one.signal(channel), other.signal(channel)
        if reference is None or test is None:
            continue
        match = find_match(
            reference.values,
            test.values,
            reference_start=reference.start_s,
            test_start=test.start_s + base_s,
            low=int(shifts[0]) - RESIDUAL_S,
            high=int(shifts[-1]) + RESIDUAL_S,
            trend_window=trend_s,
            least_sd=least_sd,
            least_r=settings.shift_min_correlation,
            fewest_pairs=_count_needed(wrong, right, settings=settings),
            few=FewShifts(QUARTER_S, RESIDUAL_S, _SMALL_ERRORS.get(channel, 0.0)),
        )
        if match is None:
            continue
        quarters = QUARTER_S * round(match.shift / QUARTER_S)
        if quarters != 0 and quarters in shifts and abs(match.shift - quarters) <= RESIDUAL_S:
            found.append(Shift(float(quarters), channel, match.r_without_trend))
    return max(found, key=lambda shift: shift.quality, default=None)


def _list_shifts(wrong: Placed, right: Placed, *, settings: PairSettings) -> Integers:
    """Return the whole quarter hours, 0 among them, after which the overlap is wide enough."""
    most = int(settings.max_clock_shift_h * 3600 // QUARTER_S)
    shifts = QUARTER_S * np.arange(-most, most + 1, dtype=np.int64)
    start_s = np.maximum(wrong.start_s + shifts, right.start_s)
    end_s = np.minimum(wrong.start_s + wrong.duration_s + shifts, right.start_s + right.duration_s)
    shorter_s = min(wrong.duration_s, right.duration_s)
    wide: Integers = shifts[end_s - start_s >= settings.min_overlap_share * shorter_s]
    return wide


def _count_needed(wrong: Placed, right: Placed, *, settings: PairSettings) -> int:
    shorter_s = min(wrong.duration_s, right.duration_s)
    return round(max(settings.shift_min_overlap_s, settings.min_overlap_share * shorter_s))


def _find_by_tracks(
    right: Track, wrong: Track, shifts: Integers, base_s: int, *, settings: PairSettings
) -> Shift | None:
    origin = find_plane_origin(right.latitude_deg.values, right.longitude_deg.values)
    planes = []
    for track in (right, wrong):
        plane = project_to_plane(
            track.latitude_deg.values, track.longitude_deg.values, origin=origin
        )
        planes.append((plane.east_m, plane.north_m))

    def measure(at: Integers, *, places: int, quantile: float = 0.5) -> Floats:
        return measure_track_distances(
            planes[0],
            planes[1],
            reference_start=right.latitude_deg.start_s,
            test_start=wrong.latitude_deg.start_s + base_s,
            shifts=at,
            step=max(1, right.latitude_deg.values.size // places),
            quantile=quantile,
        )

    limit_m = settings.shift_max_apart_m
    rough = measure(_spread(shifts, _ROUGH_STEP_S).ravel(), places=_ROUGH_PLACES)
    if not (rough < limit_m + _ROUGH_STEP_S / 2 * _FASTEST_MPS).any():
        return None
    tried = _spread(shifts, _RESIDUAL_STEP_S)
    distances = measure(tried.ravel(), places=_TRACK_PLACES).reshape(tried.shape)
    nearest = np.where(np.isfinite(distances), distances, np.inf).min(axis=1)
    best = int(np.argmin(nearest))
    others = np.delete(nearest, best)
    next_best = float(others.min()) if others.size else np.inf
    is_near = nearest[best] < limit_m
    is_clear = next_best >= max(_CLEARLY_FARTHER * nearest[best], nearest[best] + limit_m / 2)
    if shifts[best] == 0 or not (is_near and is_clear):
        return None
    place = int(np.nanargmin(distances[best]))
    chosen = tried[best, place : place + 1]
    if measure(chosen, places=_TRACK_PLACES, quantile=_NEARLY_ALL)[0] > 2 * limit_m:
        return None
    return Shift(float(shifts[best]), "position", 1.0 - float(nearest[best]) / limit_m)


def _spread(shifts: Integers, step_s: int) -> Integers:
    """Return each shift with what it may be off besides, (n_shifts, n_steps)."""
    spread: Integers = shifts[:, None] + np.arange(-RESIDUAL_S, RESIDUAL_S + 1, step_s)[None, :]
    return spread
