"""Distance without satellites: error against belt or display, per pace, and what would correct it.

A device guesses the distance from the stride, too long when slow and too short when fast, so that
one figure over all paces hides what is wrong.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.notes import NamedSegment, Notes, Truth
from tasks.core.registers import Example, Value, metric, scope, segmenter, unknown
from tasks.maths.runs import find_runs
from tasks.workout.case import Segment
from tasks.workout.named_segments import find_ends

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from tasks.workout.case import Case

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]

_PERCENT: Final = 100.0
_COMMON: Final = "common practice, no source"
_NO_BOUNDS: Final = "nobody said how exact the reference's distance is"
_START_S: Final = 1_750_000_000
_DISTANCE: Final = "distance_m"
_INDOORS: Final = ("treadmill", "trainer")
_BAND_PREFIX: Final = "band:pace-"
#: Slower than this is standing [m/s].
_STANDING_MPS: Final = 0.5
#: A pace is that over so many seconds, so that whole metres of a counter do not make it jump.
_PACE_WINDOW_S: Final = 11
_SECONDS_PER_MIN_PER_KM: Final = 1000.0 / 60.0


@dataclass(frozen=True)
class Stretch:
    """Own and true distance [m] over the same time [s]; bounds of the true one."""

    own_m: float
    true_m: float
    low_m: float
    high_m: float
    duration_s: float

    @property
    def error_pct(self) -> float:
        """Own minus true distance in percent of the true one."""
        return _PERCENT * (self.own_m - self.true_m) / self.true_m


def _note(distance_m: float, tolerance_pct: float | None = None, **parts: float) -> Notes:
    """Return notes of a belt run; `parts` are distances of 100 s each, one after another."""
    segments = tuple(
        NamedSegment(name, from_s=100.0 * number, to_s=100.0 * (number + 1), distance_m=part_m)
        for number, (name, part_m) in enumerate(parts.items())
    )
    return Notes(
        start_utc=datetime.fromtimestamp(_START_S, tz=UTC),
        truth=Truth(distance_m=distance_m, distance_tolerance_pct=tolerance_pct),
        segments=segments,
    )


def _run(*speeds_mps: float, notes: Notes | None) -> dict[str, Any]:
    """Return the inputs of a worked example: 100 s at each speed, as the device guesses it."""
    steps = np.concatenate([np.full(100, speed) for speed in speeds_mps])
    return {
        "test": {_DISTANCE: np.concatenate([[0.0], np.cumsum(steps)]).tolist()},
        "notes": notes,
        "place": "treadmill",
    }


@scope("indoor")
def concerns_indoors(case: Case) -> bool:
    """Say whether the workout was on a treadmill or trainer."""
    return case.workout.place in _INDOORS


@metric(
    "indoor",
    title="Indoor distance error",
    unit="%",
    version=2,
    definition="The device's own distance without satellites compared with the belt's or "
    "display's, over the whole workout, a named part or a pace band; the interval covers only the "
    "stated tolerance of the true distance, and a display is not a measured belt",
    formula="100 * (own - true) / true; interval by true * (1 +- tolerance)",
    better="zero",
    source="truth by a measured belt: v = belt length * revolutions / time (topendsports.com, "
    "treadmill calibration)",
    examples=(
        Example(_run(2.25, notes=_note(225.0)), 0.0, "by hand: 3 m belt, 15 turns in 20 s, 100 s"),
        Example(_run(2.5, 3.0, notes=_note(500.0)), 10.0, "by hand: 550 of 500 m"),
        Example(_run(2.5, notes=None), None, "no truth"),
    ),
    against="distance",
    has_interval=True,
)
def indoor_distance_error_pct(case: Case) -> Value:
    """Return the error of the indoor distance [%]."""
    found = _measure_stretch(case)
    if isinstance(found, str):
        return unknown(found)
    low, high = replace(found, true_m=found.high_m), replace(found, true_m=found.low_m)
    is_bounded = found.low_m < found.high_m
    return Value(
        found.error_pct,
        ci_low=low.error_pct if is_bounded else None,
        ci_high=high.error_pct if is_bounded and found.low_m > 0.0 else None,
        n=round(found.duration_s),
        reason=None if is_bounded else _NO_BOUNDS,
        ci_reason=_explain_bounds(found),
    )


@metric(
    "indoor",
    title="Indoor speed",
    unit="m/s",
    version=2,
    definition="True distance over time: the pace at which the indoor error was found, for a "
    "calibration over several workouts",
    formula="true distance / time",
    better="none",
    source="v = belt length * revolutions / time (topendsports.com, treadmill calibration)",
    examples=(
        Example(_run(2.0, notes=_note(225.0)), 2.25, "by hand: 3 m belt, 15 turns in 20 s"),
        Example(_run(2.5, notes=None), None, "no truth"),
    ),
    against="distance",
)
def indoor_speed_mps(case: Case) -> Value:
    """Return the true speed [m/s]."""
    found = _measure_stretch(case)
    if isinstance(found, str):
        return unknown(found)
    return Value(found.true_m / found.duration_s, n=round(found.duration_s))


@metric(
    "indoor",
    title="Indoor calibration factor",
    unit="1",
    version=2,
    definition="Factor by which the device's calibration factor must be multiplied to make its "
    "distance right at this pace; other paces need other factors",
    formula="true distance / own distance",
    better="none",
    source="foot pods: new factor = old factor * true distance / own distance, common practice",
    examples=(
        Example(_run(2.5, notes=_note(240.0)), 0.96, "by hand: 240 / 250"),
        Example(_run(2.5, notes=None), None, "no truth"),
    ),
    against="distance",
    has_interval=True,
)
def indoor_calibration_factor(case: Case) -> Value:
    """Return the factor that would make the distance right."""
    found = _measure_stretch(case)
    if isinstance(found, str):
        return unknown(found)
    if found.own_m <= 0.0:
        return unknown("the device counted no distance")
    is_bounded = found.low_m < found.high_m
    return Value(
        found.true_m / found.own_m,
        ci_low=found.low_m / found.own_m if is_bounded else None,
        ci_high=found.high_m / found.own_m if is_bounded else None,
        n=round(found.duration_s),
        ci_reason=_explain_bounds(found),
    )


@segmenter("indoor")
def pace_bands(case: Case) -> list[Segment]:
    """Cut by true pace, as far as it is known.

    Against another device: second by second. Against the notes: parts with a distance of their own
    belong to the band of their pace; without such parts the whole does, if most of it was run in
    one band.
    """
    return [Segment(name, mask) for name, mask in _list_bands(case).items() if mask.any()]


def _explain_bounds(found: Stretch) -> str | None:
    """Say why an end of the bounds is unknown; None where both are known."""
    if found.low_m >= found.high_m:
        return _NO_BOUNDS
    return None if found.low_m > 0.0 else "the true distance may be anything"


# --- own and true distance over the same time ---------------------------------------------------
def _measure_stretch(case: Case) -> Stretch | str:
    """Return own and true distance of the segment, or why one is not known."""
    reference = case.reference
    if reference is not None and reference.name != "truth":
        reference_m = reference.values(_DISTANCE)
        if reference_m is None:
            return "the reference has no distance"
        return _measure_against_device(case, reference_m, who=reference.name)
    name = case.segment.name
    if name == "all":
        return _measure_whole(case)
    parts = _list_true_parts(case)
    if name.startswith(_BAND_PREFIX):
        chosen = [one for one in parts if _name_band(case, _find_true_speed(case, one)) == name]
        return _add([_measure_part(case, one) for one in chosen]) or _measure_whole(case)
    chosen = [one for one in parts if one.name == name]
    known = _add([_measure_part(case, one) for one in chosen])
    return known or "the notes give no true distance for this part"


def _measure_whole(case: Case) -> Stretch | str:
    notes = case.workout.notes
    true_m = None if notes is None else notes.truth.known_distance_m
    if true_m is None:
        return "the notes give no true distance"
    own_m = case.test.recording.header.device_distance_m
    counter = case.test.values(_DISTANCE)
    known = np.flatnonzero(np.isfinite(counter))
    if own_m is None and known.size:
        own_m = float(counter[known[-1]])
    if own_m is None:
        return case.test.explain_lack(_DISTANCE, otherwise="the export gives no distance")
    covered = np.flatnonzero(case.test.covered & ~case.test.paused)
    return _make_stretch(case, own_m, true_m, duration_s=float(max(len(covered) - 1, 1)))


def _measure_part(case: Case, part: NamedSegment) -> Stretch | str:
    begin_s, end_s = find_ends(case.workout, part)
    counter = case.test.values(_DISTANCE)
    own_m = _read_counter(case, counter, end_s) - _read_counter(case, counter, begin_s)
    if not np.isfinite(own_m):
        uncounted = "the device did not count throughout this part"
        return case.test.explain_lack(_DISTANCE, otherwise=uncounted)
    return _make_stretch(case, own_m, part.distance_m or 0.0, duration_s=end_s - begin_s)


def _measure_against_device(case: Case, reference_m: Floats, *, who: str) -> Stretch | str:
    """Add up what both counted in the runs of seconds in which both counted."""
    own_m = case.test.values(_DISTANCE)
    both = case.segment.mask & np.isfinite(own_m) & np.isfinite(reference_m)
    total_own = total_reference = 0.0
    duration = 0
    for run in find_runs(both):
        # A run goes on to the instant in which the next second begins, if it was counted.
        end = run.end
        if end == len(own_m) or not np.isfinite(own_m[end] + reference_m[end]):
            end -= 1
        total_own += float(own_m[end] - own_m[run.start])
        total_reference += float(reference_m[end] - reference_m[run.start])
        duration += end - run.start
    if total_reference <= 0.0 or not duration:
        nothing = f"{who} counted no distance in this part"
        return case.test.explain_lack(_DISTANCE, otherwise=nothing)
    return Stretch(total_own, total_reference, total_reference, total_reference, float(duration))


def _make_stretch(case: Case, own_m: float, true_m: float, *, duration_s: float) -> Stretch | str:
    if true_m <= 0.0 or duration_s <= 0.0:
        return "the true distance is zero"
    notes = case.workout.notes
    tolerance_pct = None if notes is None else notes.truth.distance_tolerance_pct
    room_m = true_m * (tolerance_pct or 0.0) / _PERCENT
    return Stretch(own_m, true_m, true_m - room_m, true_m + room_m, duration_s)


def _add(stretches: Sequence[Stretch | str]) -> Stretch | str | None:
    """Add up what is known; the first reason where nothing is, None where there is nothing."""
    known = [stretch for stretch in stretches if isinstance(stretch, Stretch)]
    if not known:
        return next(iter(stretches), None)
    # One belt's tolerance is the same error in every part: bounds add up, they do not cancel.
    return Stretch(
        sum(stretch.own_m for stretch in known),
        sum(stretch.true_m for stretch in known),
        sum(stretch.low_m for stretch in known),
        sum(stretch.high_m for stretch in known),
        sum(stretch.duration_s for stretch in known),
    )


# --- pace bands -------------------------------------------------------------------------------
def _list_bands(case: Case) -> dict[str, Booleans]:
    if case.reference is not None and case.reference.name != "truth":
        reference_m = case.reference.values(_DISTANCE)
        return {} if reference_m is None else _mark_bands(case, _find_speed(reference_m))
    parts = _list_true_parts(case)
    if parts:
        bands: dict[str, Booleans] = {}
        seconds = case.workout.grid.seconds
        for part in parts:
            begin_s, end_s = find_ends(case.workout, part)
            name = _name_band(case, _find_true_speed(case, part))
            mask = (seconds >= begin_s) & (seconds < end_s) & case.segment.mask
            bands[name] = bands.get(name, np.zeros_like(mask)) | mask
        return bands
    return _find_single_band(case)


def _find_single_band(case: Case) -> dict[str, Booleans]:
    """Return the one band that most of the whole was run in, by the device's speed set right."""
    whole = _measure_whole(case)
    if isinstance(whole, str) or whole.own_m <= 0.0:
        return {}
    speed = _find_speed(case.test.values(_DISTANCE)) * (whole.true_m / whole.own_m)
    bands = _mark_bands(case, speed)
    moving = sum(int(mask.sum()) for mask in bands.values())
    for name, mask in bands.items():
        if mask.sum() >= case.settings.indoor.band_share * moving:
            return {name: case.segment.mask}
    return {}


def _mark_bands(case: Case, speed_mps: Floats) -> dict[str, Booleans]:
    """Mark the seconds of each band; standing belongs to none."""
    with np.errstate(invalid="ignore"):
        moving = case.segment.mask & (speed_mps > _STANDING_MPS)
    edges_mps = np.array(
        sorted(
            _SECONDS_PER_MIN_PER_KM / edge for edge in case.settings.indoor.pace_edges_min_per_km
        )
    )
    which = np.searchsorted(edges_mps, np.where(moving, speed_mps, 0.0), side="right")
    names = _name_bands(case)
    masks = {name: moving & (which == number) for number, name in enumerate(names)}
    return {name: mask for name, mask in masks.items() if mask.any()}


def _name_band(case: Case, speed_mps: float) -> str:
    edges = sorted(
        _SECONDS_PER_MIN_PER_KM / edge for edge in case.settings.indoor.pace_edges_min_per_km
    )
    return _name_bands(case)[int(np.searchsorted(edges, speed_mps, side="right"))]


def _name_bands(case: Case) -> list[str]:
    """Return the names of the bands, the slowest first; paces as min:ss per kilometre."""
    slow_first = sorted(case.settings.indoor.pace_edges_min_per_km, reverse=True)
    if not slow_first:
        return [f"{_BAND_PREFIX}any"]
    between = [
        f"{_BAND_PREFIX}{_write_pace(fast)}-{_write_pace(slow)}"
        for slow, fast in pairwise(slow_first)
    ]
    return [
        f"{_BAND_PREFIX}above-{_write_pace(slow_first[0])}",
        *between,
        f"{_BAND_PREFIX}below-{_write_pace(slow_first[-1])}",
    ]


def _write_pace(min_per_km: float) -> str:
    minutes, seconds = divmod(round(min_per_km * 60.0), 60)
    return f"{minutes}:{seconds:02d}"


# --- counters ---------------------------------------------------------------------------------
def _list_true_parts(case: Case) -> list[NamedSegment]:
    notes = case.workout.notes
    return [] if notes is None else [part for part in notes.segments if part.distance_m]


def _find_true_speed(case: Case, part: NamedSegment) -> float:
    begin_s, end_s = find_ends(case.workout, part)
    return (part.distance_m or 0.0) / (end_s - begin_s)


def _find_speed(counter_m: Floats) -> Floats:
    """Return the speed over the window around each second [m/s], NaN where it is not known."""
    half = _PACE_WINDOW_S // 2
    speed = np.full(len(counter_m), np.nan)
    if len(counter_m) > 2 * half:
        speed[half:-half] = (counter_m[2 * half :] - counter_m[: -2 * half]) / (2 * half)
        speed[:half], speed[-half:] = speed[half], speed[-half - 1]
    return speed


def _read_counter(case: Case, counter_m: Floats, at_s: float) -> float:
    """Return the counter at an instant [m]; NaN where it does not count within a second of it."""
    second = at_s - case.workout.grid.start_s
    near = np.array([np.floor(second), np.ceil(second)]).astype(np.int64)
    near = np.clip(near, 0, len(counter_m) - 1)
    if not -1.0 <= second <= len(counter_m):
        return np.nan
    low, high = counter_m[near]
    return float(low + (high - low) * (second - np.floor(second)))
