"""The middle of several devices, second by second, and how sure it is."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.maths.consensus import compute_fade, compute_weighted_median, remove_offsets
from tasks.maths.geodesy import PlaneTrack, project_to_plane, restore_from_plane
from tasks.maths.positions import compute_geometric_median
from tasks.workout.climbs import ClimbFilter, choose_climb_filter
from tasks.workout.tracks import get_fixes, get_plane, mark_jumped

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from tasks.core.registers import Against
    from tasks.workout.case import Subject, Workout

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]

#: Grid channels that a reference of this kind must hold.
CHANNELS: Final[Mapping[Against, tuple[str, ...]]] = {
    "heart_rate": ("heart_rate_bpm",),
    "position": ("latitude_deg", "longitude_deg"),
    "speed": ("speed_mps",),
    "distance": ("distance_m",),
    "altitude": ("altitude_m",),
}
#: A consensus needs at least two devices beside the one judged.
CONSENSUS_DEVICES: Final = 2
#: Time over which a device that comes or goes is faded in or out of a consensus [s].
_FADE_S: Final = 20.0
_PERCENT: Final = 100.0
_NEVER_TOGETHER: Final = "they never have a value at the same time"


@dataclass(frozen=True)
class Consensus:
    """The middle of several devices per second, and how sure it is.

    `on_grid` maps channels to `(n_seconds,)`, NaN where fewer than two devices have a value.
    `uncertainty` is the median over the seconds of the standard error of the middle. `doubt` says
    in words how far the devices lie apart where that is too far to be a reference.
    """

    on_grid: Mapping[str, Floats]
    uncertainty: float | None
    doubt: str | None = None


def build_consensus(workout: Workout, others: Sequence[Subject], kind: Against) -> Consensus:
    """Take the middle of the other devices, second by second, where at least two have a value.

    Positions: the geometric median in the workout's plane, without fixes that jumped away.
    Distance counters begin anywhere: they are first set equal where all of them count; heights
    are first set to one level. A device that comes or goes is faded in or out, so that the middle
    does not step. Heart rate: the plain median.
    """
    if kind == "position":
        return _take_middle_positions(workout, others)
    (channel,) = CHANNELS[kind]
    stacked = np.vstack([subject.values(channel) for subject in others])
    if kind == "distance":
        stacked = _set_equal(stacked)
    if kind == "altitude":
        stacked = remove_offsets(stacked)
    known = np.isfinite(stacked)
    enough = known.sum(axis=0) >= CONSENSUS_DEVICES
    if not enough.any():
        return Consensus({channel: np.full(enough.shape, np.nan)}, None, _NEVER_TOGETHER)
    weights = known.astype(np.float64)
    if kind != "heart_rate":
        weights = compute_fade(known, fade_s=_FADE_S)
    middle = np.where(enough, compute_weighted_median(stacked, weights), np.nan)
    spread = np.nanstd(stacked[:, enough], axis=0, ddof=1)
    doubt = _find_doubt(workout, others, kind, stacked=stacked, middle=middle)
    return Consensus({channel: middle}, _summarise_error(spread, stacked[:, enough]), doubt)


# --- agreement --------------------------------------------------------------------------------
def _find_doubt(
    workout: Workout, others: Sequence[Subject], kind: Against, *, stacked: Floats, middle: Floats
) -> str | None:
    """Say how far the devices lie apart where they do not agree; None where they do."""
    limits = workout.settings.consensus
    if kind == "distance":
        together = np.flatnonzero(np.isfinite(stacked).all(axis=0))
        if not together.size:
            return _NEVER_TOGETHER
        totals = stacked[:, together[-1]] - stacked[:, together[0]]
        return _doubt_totals(totals, "measured", limits.distance_pct / _PERCENT * np.median(totals))
    if kind == "altitude":
        shared = np.isfinite(stacked).all(axis=0)
        filters = [choose_climb_filter(workout, subject) for subject in others]
        summed = functools.reduce(ClimbFilter.join, filters)
        seconds = np.flatnonzero(shared).astype(np.float64)
        climbs = np.array([summed.sum_climb(seconds, row[shared]).ascent_m for row in stacked])
        apart = max(limits.ascent_m, limits.ascent_pct / _PERCENT * float(np.median(climbs)))
        doubt = _doubt_totals(climbs, "climbed", apart)
        if doubt is not None:
            return doubt
    apart, unit = {
        "heart_rate": (limits.heart_rate_bpm, "bpm"),
        "speed": (limits.speed_mps, "m/s"),
        "altitude": (limits.altitude_m, "m"),
    }[kind]
    return _doubt_seconds(workout, np.abs(stacked - middle), apart, unit)


def _doubt_totals(totals: Floats, verb: str, apart_m: float) -> str | None:
    if _count_near(np.abs(totals - np.median(totals)), apart_m):
        return None
    return f"they {verb} {totals.min():.0f} to {totals.max():.0f} m"


def _doubt_seconds(workout: Workout, away: Floats, apart: float, unit: str) -> str | None:
    """Compare how far each device is away from the middle, shape (n_devices, n_seconds)."""
    counted = np.isfinite(away).sum(axis=0) >= CONSENSUS_DEVICES
    if not counted.any():
        return _NEVER_TOGETHER
    agreed = _PERCENT * float(np.mean(_count_near(away[:, counted], apart)))
    if agreed >= workout.settings.consensus.agreed_pct:
        return None
    return f"they lie within {apart:g} {unit} of each other in {agreed:.0f} % of the seconds"


def _count_near(away: Floats, apart: float) -> Booleans:
    """Mark where more than half of the devices, and at least two, lie near their middle."""
    near = (away <= apart / 2).sum(axis=0)
    n_known = np.isfinite(away).sum(axis=0)
    return np.asarray((near >= CONSENSUS_DEVICES) & (2 * near > n_known))


# --- counters and positions -------------------------------------------------------------------
def _set_equal(counters: Floats) -> Floats:
    """Take off each counter its value in the first second in which all have one."""
    together = np.flatnonzero(np.isfinite(counters).all(axis=0))
    if together.size:
        return counters - counters[:, together[:1]]
    # Never all at once: each counts from its own first value.
    first = np.array([row[np.isfinite(row)][:1].sum() for row in counters])
    return np.asarray(counters - first[:, None])


def _take_middle_positions(workout: Workout, others: Sequence[Subject]) -> Consensus:
    origin = get_plane(workout)
    if origin is None:
        raise ValueError("a consensus of positions needs positions")
    easts, norths = [], []
    for subject in others:
        plane = project_to_plane(
            subject.values("latitude_deg"), subject.values("longitude_deg"), origin=origin
        )
        away = get_fixes(workout, subject).second[mark_jumped(workout, subject)]
        plane.east_m[away] = np.nan
        plane.north_m[away] = np.nan
        easts.append(plane.east_m)
        norths.append(plane.north_m)
    east, north = np.vstack(easts), np.vstack(norths)
    enough = np.isfinite(east).sum(axis=0) >= CONSENSUS_DEVICES
    middle_east, middle_north = np.full(enough.shape, np.nan), np.full(enough.shape, np.nan)
    if enough.any():
        weights = compute_fade(np.isfinite(east), fade_s=_FADE_S)
        middle_east[enough], middle_north[enough] = compute_geometric_median(
            east[:, enough], north[:, enough], weights=weights[:, enough]
        )
    latitude, longitude = restore_from_plane(PlaneTrack(middle_east, middle_north), origin=origin)
    on_grid = {"latitude_deg": latitude, "longitude_deg": longitude}
    if not enough.any():
        return Consensus(on_grid, None, _NEVER_TOGETHER)
    distance_m = np.hypot(east - middle_east, north - middle_north)
    doubt = _doubt_seconds(workout, distance_m, workout.settings.consensus.position_m, "m")
    spread = np.sqrt(
        np.nanvar(east[:, enough], axis=0, ddof=1) + np.nanvar(north[:, enough], axis=0, ddof=1)
    )
    return Consensus(on_grid, _summarise_error(spread, east[:, enough]), doubt)


def _summarise_error(spread: Floats, stacked: Floats) -> float:
    """Return the median standard error: spread over the devices / root of their number.

    The middle of few devices is a little less sure than their mean; errors that all share (the
    same sky, the same trees) do not show in it.
    """
    counts = np.isfinite(stacked).sum(axis=0)
    return float(np.median(spread / np.sqrt(counts)))
