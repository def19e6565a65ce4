"""The fixes of a recording in the workout's plane, and where they belong on its reference line.

What the metrics of position and of distance share; everything is found once per workout.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.maths.geodesy import find_plane_origin, project_to_plane
from tasks.maths.lines import build_line
from tasks.maths.matching import match_in_order
from tasks.maths.positions import find_jumps
from tasks.maths.resample import round_to_seconds
from tasks.tables.arrow import read_floats, read_micros

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tasks.maths.geodesy import PlaneOrigin
    from tasks.maths.lines import Line
    from tasks.maths.matching import Matched
    from tasks.maths.positions import Jump
    from tasks.workout.case import Case, Subject, Workout

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Booleans = NDArray[np.bool_]

_MICROSECONDS: Final = 1e6
#: A reference device that stands still scatters fixes; its line keeps those this far apart [m].
_SPACING_M: Final = 2.0
#: Words for those who walk; runners and cyclists have their own.
_WALKERS: Final = ("walking", "hiking", "stairs")
_RUNNERS: Final = ("running", "intervals")
_CYCLISTS: Final = ("cycling", "mountain-biking")


@dataclass(frozen=True)
class Fixes:
    """Fixes ``(n_fixes,)`` with a position, in order of time.

    ``seconds`` are on the workout's clock [s since 1970-01-01T00:00:00Z], ``second`` the grid
    index each rounds to. ``weight_s`` is how long a fix holds: to the next one of its piece, at
    most over the gap that is bridged.
    """

    seconds: Floats
    second: Integers
    latitude_deg: Floats
    longitude_deg: Floats
    east_m: Floats
    north_m: Floats
    piece: Floats
    weight_s: Floats

    @property
    def n(self) -> int:
        """Number of fixes."""
        return self.seconds.size


def get_plane(workout: Workout) -> PlaneOrigin | None:
    """Return the origin of the workout's plane, None where nothing has a position."""
    if "tracks:plane" not in workout.memo:
        workout.memo["tracks:plane"] = _find_plane(workout)
    origin: PlaneOrigin | None = workout.memo["tracks:plane"]
    return origin


def _find_plane(workout: Workout) -> PlaneOrigin | None:
    latitudes, longitudes = [], []
    for subject in workout.subjects:
        latitudes.append(subject.values("latitude_deg"))
        longitudes.append(subject.values("longitude_deg"))
    if workout.course is not None:
        latitudes.append(workout.course[:, 0])
        longitudes.append(workout.course[:, 1])
    latitude, longitude = np.concatenate(latitudes), np.concatenate(longitudes)
    known = np.isfinite(latitude) & np.isfinite(longitude)
    return find_plane_origin(latitude, longitude) if known.any() else None


def get_fixes(workout: Workout, subject: Subject) -> Fixes:
    """Return the fixes of a recording, found once."""
    key = f"tracks:fixes:{subject.recording_id}"
    if key not in workout.memo:
        workout.memo[key] = _read_fixes(workout, subject)
    fixes: Fixes = workout.memo[key]
    return fixes


def _read_fixes(workout: Workout, subject: Subject) -> Fixes:
    samples = subject.recording.samples
    latitude = read_floats(samples, "latitude_deg")
    longitude = read_floats(samples, "longitude_deg")
    micros = read_micros(samples) + subject.alignment.offset_s * _MICROSECONDS
    kept = np.isfinite(latitude) & np.isfinite(longitude) & np.isfinite(micros)
    latitude, longitude, micros = latitude[kept], longitude[kept], micros[kept]
    piece = np.nan_to_num(read_floats(samples, "piece"))[kept]
    origin = get_plane(workout)
    if origin is None or not kept.any():
        none = np.empty(0)
        return Fixes(none, none.astype(np.int64), none, none, none, none, none, none)
    plane = project_to_plane(latitude, longitude, origin=origin)
    second = round_to_seconds(micros.astype(np.int64)) - workout.grid.start_s
    seconds = micros / _MICROSECONDS
    return Fixes(
        seconds,
        np.clip(second, 0, max(workout.grid.n_seconds - 1, 0)),
        latitude,
        longitude,
        plane.east_m,
        plane.north_m,
        piece,
        _weigh(seconds, piece, workout.settings.align.max_gap_position_s),
    )


def _weigh(seconds: Floats, piece: Floats, longest_s: float) -> Floats:
    """Return how long each fix holds: to the next one, the last of a piece the usual interval."""
    if seconds.size <= 1:
        return np.ones(seconds.size)
    steps = np.diff(seconds)
    same = np.diff(piece) == 0
    usual = float(np.median(steps[same])) if same.any() else 1.0
    held = np.append(np.where(same, steps, usual), usual)
    weights: Floats = np.clip(held, 0.0, longest_s)
    return weights


def get_speed_limit_mps(workout: Workout) -> float:
    """Return the speed that nobody exceeds in the workout's activity [m/s]."""
    limits = workout.settings.position
    if workout.activity in _WALKERS:
        return limits.walking_mps
    if workout.activity in _RUNNERS:
        return limits.running_mps
    return limits.cycling_mps if workout.activity in _CYCLISTS else limits.other_mps


def get_jumps(workout: Workout, subject: Subject) -> tuple[Jump, ...]:
    """Return the jumps of a recording's fixes, found once."""
    key = f"tracks:jumps:{subject.recording_id}"
    if key not in workout.memo:
        fixes, limits = get_fixes(workout, subject), workout.settings.position
        workout.memo[key] = find_jumps(
            fixes.seconds,
            fixes.east_m,
            fixes.north_m,
            piece=fixes.piece,
            max_speed_mps=get_speed_limit_mps(workout),
            slack_m=limits.jump_slack_m,
            longest_s=limits.jump_return_s,
        )
    jumps: tuple[Jump, ...] = workout.memo[key]
    return jumps


def mark_jumped(workout: Workout, subject: Subject) -> Booleans:
    """Mark the fixes that stood elsewhere between a jump and its way back."""
    marked = np.zeros(get_fixes(workout, subject).n, dtype=np.bool_)
    for jump in get_jumps(workout, subject):
        if jump.returned:
            marked[jump.before + 1 : jump.after] = True
    return marked


# --- the reference line -----------------------------------------------------------------------
def get_line(case: Case) -> Line | None:
    """Return the line of the case's reference, found once; None where it has none."""
    key = f"tracks:line:{_name_reference(case)}"
    return case.once_per_workout(key, lambda: _build_reference_line(case))


def _name_reference(case: Case) -> str:
    reference = case.reference
    if reference is None:
        return ""
    if reference.subject is not None:
        return reference.subject.recording_id
    # A consensus leaves the device out that it judges.
    return f"{reference.name}:{case.test.recording_id}"


def _build_reference_line(case: Case) -> Line | None:
    reference, workout = case.reference, case.workout
    origin = get_plane(workout)
    if reference is None or origin is None:
        return None
    if reference.name.startswith("course:"):
        if workout.course is None:
            return None
        plane = project_to_plane(workout.course[:, 0], workout.course[:, 1], origin=origin)
        return build_line(
            plane.east_m,
            plane.north_m,
            closes_within_m=workout.settings.position.closes_within_m,
        )
    longest_s = workout.settings.align.max_gap_position_s
    if reference.subject is not None:
        fixes = get_fixes(workout, reference.subject)
        kept = ~mark_jumped(workout, reference.subject)
        seconds, piece = fixes.seconds[kept], fixes.piece[kept]
        east, north = fixes.east_m[kept], fixes.north_m[kept]
    else:
        latitude = reference.values("latitude_deg")
        longitude = reference.values("longitude_deg")
        if latitude is None or longitude is None:
            return None
        plane = project_to_plane(latitude, longitude, origin=origin)
        known = np.isfinite(plane.east_m)
        east, north = plane.east_m[known], plane.north_m[known]
        seconds, piece = workout.grid.seconds[known], np.zeros(int(known.sum()))
    gap = (np.diff(seconds) > longest_s) | (np.diff(piece) != 0)
    return build_line(east, north, seconds=seconds, is_gap=gap, spacing_m=_SPACING_M)


@dataclass(frozen=True)
class TrackMatch:
    """The fixes of the test and where they belong on the reference line.

    ``is_scored`` marks fixes on the line, outside gaps of the reference. ``by_time`` says that
    the clocks of both are known, so that the times of the line mean something.
    """

    fixes: Fixes
    matched: Matched
    is_scored: Booleans
    by_time: bool

    @property
    def line(self) -> Line:
        """The reference line, in the direction in which it was run."""
        return self.matched.line


def get_match(case: Case) -> TrackMatch | None:
    """Match the test's fixes in order along the reference line, once; None where one is lacking."""
    key = f"tracks:match:{case.test.recording_id}:{_name_reference(case)}"
    return case.once_per_workout(key, lambda: _match(case))


def _match(case: Case) -> TrackMatch | None:
    line = get_line(case)
    fixes = get_fixes(case.workout, case.test)
    if line is None or not fixes.n:
        return None
    limits = case.settings.position
    by_time = _knows_time(case)
    matched = match_in_order(
        fixes.east_m,
        fixes.north_m,
        line=line,
        reach_m=limits.reach_m,
        seconds=fixes.seconds,
        # Clocks that nothing confirmed say nothing of where one was when.
        window_s=limits.window_s if by_time else None,
        is_jump=mark_jumped(case.workout, case.test),
    )
    return TrackMatch(fixes, matched, matched.is_on & ~matched.is_gap, by_time)


def _knows_time(case: Case) -> bool:
    return all(side.alignment.is_compared for side in case.sides)


def mark_case(case: Case, fixes: Fixes) -> Booleans:
    """Mark the fixes whose second counts in the case."""
    return case.counted[fixes.second] if fixes.n else np.zeros(0, dtype=np.bool_)


def explain_no_positions(case: Case) -> str | None:
    """Say why the positions of a recording mean no place; None where they do."""
    header = case.test.recording.header
    if header.position_kind == "virtual":
        return "the positions are those of a virtual ride"
    if not (case.test.has("latitude_deg") and case.test.has("longitude_deg")):
        return "this recording holds no positions"
    return None


def mark_case_samples(case: Case, subject: Subject) -> Booleans:
    """Mark the native samples whose second counts in the case; the whole takes every sample."""
    micros = read_micros(subject.recording.samples)
    if case.segment.name == "all":
        return np.ones(micros.size, dtype=np.bool_)
    shifted = micros + subject.alignment.offset_s * _MICROSECONDS
    second = round_to_seconds(shifted.astype(np.int64)) - case.workout.grid.start_s
    inside: Booleans = (second >= 0) & (second < case.workout.grid.n_seconds)
    inside[inside] = case.counted[second[inside]]
    return inside
