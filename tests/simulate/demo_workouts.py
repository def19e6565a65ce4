"""The eight workouts of the demo: three cold weeks in an invented valley."""

from datetime import UTC, datetime

import numpy as np

from tests.simulate.athlete import Athlete
from tests.simulate.places import Path, Place, build_track, build_winding_loop
from tests.simulate.script import Effort, Span, SwimSet, Workout, perform, swim

SEED = 20251116
RUNNER = Athlete()
TRAIL = build_winding_loop(
    7,
    corners=46,
    radius_m=640.0,
    wiggle=0.075,
    corner_radius_m=4.0,
    profile=(
        (0.0, 312.0),
        (0.22, 368.0),
        (0.40, 318.0),
        (0.68, 392.0),
        (0.92, 316.0),
        (1.0, 312.0),
    ),
)
ROAD = build_winding_loop(
    11,
    corners=16,
    radius_m=2900.0,
    wiggle=0.10,
    corner_radius_m=30.0,
    profile=((0.0, 290.0), (0.3, 412.0), (0.5, 330.0), (0.72, 431.0), (1.0, 290.0)),
)
RIDGE = build_winding_loop(
    19,
    corners=34,
    radius_m=1250.0,
    wiggle=0.09,
    corner_radius_m=5.0,
    profile=((0.0, 340.0), (0.2, 455.0), (0.35, 410.0), (0.6, 585.0), (0.85, 400.0), (1.0, 340.0)),
)


def _at(day: int, hour: int, minute: int, *, month: int = 11) -> datetime:
    return datetime(2025, month, day, hour, minute, tzinfo=UTC)


def run_track() -> Workout:
    """Fifteen laps of the track, 6 km: steady, then faster."""
    efforts = [
        Effort("easy laps", 560.0, 2.9, 0.58, 164.0),
        Effort("steady laps", 720.0, 3.3, 0.70, 170.0),
        Effort("fast laps", 560.0, 3.7, 0.84, 176.0),
    ]
    return perform(
        efforts,
        name="track laps",
        activity="running",
        place=Place("track", build_track(), 900.0),
        start_utc=_at(16, 9, 30),
        seed=SEED,
        temperature_c=-6.0,
        finish_m=6000.0,
    )


def run_trail() -> Workout:
    """One round of the forest trail."""
    efforts = [
        Effort("warm-up", 240.0, 2.5, 0.50, 160.0),
        Effort("trail", 1740.0, 2.8, 0.66, 168.0),
    ]
    return perform(
        efforts,
        name="forest trail",
        activity="running",
        place=Place("trail", TRAIL, -600.0, 400.0),
        start_utc=_at(19, 14, 10),
        seed=SEED,
        temperature_c=-9.0,
        finish_m=TRAIL.length_m - 20.0,
    )


def ride_road() -> Workout:
    """A road ride over two hills with a stop at a crossing."""
    efforts = [
        Effort("warm-up", 420.0, 7.0, 0.48, 84.0, 150.0),
        Effort("tempo", 900.0, 8.3, 0.66, 90.0, 215.0),
        Effort("crossing", 70.0, 0.0, 0.30),
        Effort("tempo", 780.0, 8.6, 0.70, 91.0, 225.0),
        Effort("sprint", 60.0, 10.5, 0.93, 102.0, 420.0),
        Effort("ride home", 420.0, 7.2, 0.46, 84.0, 140.0),
    ]
    return perform(
        efforts,
        name="road ride",
        activity="cycling",
        place=Place("road", ROAD),
        start_utc=_at(22, 10, 0),
        seed=SEED,
        temperature_c=-3.0,
    )


def run_treadmill() -> Workout:
    """Six fast repetitions on the treadmill; the belt was measured: 7.00 km."""
    efforts = [Effort("warm-up", 480.0, 2.7, 0.52, 162.0)]
    for number in range(1, 7):
        efforts.append(
            Effort(f"repetition {number}", 150.0, 4.2, 0.93, 182.0, segment=f"rep {number}")
        )
        efforts.append(Effort(f"recovery {number}", 120.0, 2.1, 0.42, 154.0))
    efforts.append(Effort("cool-down", 240.0, 2.4, 0.42, 156.0))
    return perform(
        efforts,
        name="treadmill intervals",
        activity="intervals",
        place=Place("treadmill", None),
        start_utc=_at(24, 17, 5),
        seed=SEED,
        temperature_c=19.0,
        finish_m=7000.0,
    )


def lift() -> Workout:
    """Strength: four exercises of three sets with pauses."""
    efforts = [Effort("warm-up", 240.0, 0.0, 0.40)]
    for exercise, demand in (
        ("squats", 0.80),
        ("rows", 0.66),
        ("presses", 0.62),
        ("kettlebell swings", 0.86),
    ):
        for number in range(1, 4):
            efforts.append(Effort(f"{exercise} {number}", 50.0, 0.0, demand, segment=exercise))
            efforts.append(Effort(f"pause {number}", 75.0, 0.0, 0.34, segment=exercise))
    return perform(
        efforts,
        name="strength",
        activity="strength",
        place=Place("gym", None),
        start_utc=_at(26, 16, 30),
        seed=SEED,
        temperature_c=20.0,
    )


def swim_pool() -> Workout:
    """Forty lengths of 25 m in five sets with rests."""
    sets = [
        SwimSet(8, 32.0, 30.0, demand=0.52),
        SwimSet(8, 28.0, 40.0, demand=0.66),
        SwimSet(8, 34.0, 40.0, "backstroke", 20, 0.58),
        SwimSet(8, 27.0, 45.0, demand=0.72),
        SwimSet(8, 36.0, 20.0, "breaststroke", 14, 0.54),
    ]
    return swim(sets, name="pool", start_utc=_at(28, 6, 15), seed=SEED)


def ride_mixed() -> Workout:
    """Road out, forest trail, road home by mountain bike."""
    efforts = [
        Effort("road out", 660.0, 6.4, 0.58, 82.0, 170.0, "road out"),
        Effort("forest trail", 960.0, 4.3, 0.74, 72.0, 215.0, "forest trail"),
        Effort("road home", 600.0, 6.8, 0.60, 84.0, 175.0, "road home"),
    ]
    return perform(
        efforts,
        name="mixed ride",
        activity="mountain-biking",
        place=Place("mixed", RIDGE, 1500.0, -800.0),
        start_utc=_at(30, 11, 20),
        seed=SEED,
        temperature_c=-7.0,
    )


def hike() -> Workout:
    """A long hike over the ridge, with a rest on top."""
    efforts = [
        Effort("climb", 4200.0, 1.35, 0.42, 112.0),
        Effort("rest", 480.0, 0.0, 0.16),
        Effort("descent", 4500.0, 1.45, 0.36, 116.0),
    ]
    return perform(
        efforts,
        name="long hike",
        activity="hiking",
        place=Place("ridge", RIDGE, 1500.0, -800.0),
        start_utc=_at(6, 8, 40, month=12),
        seed=SEED,
        temperature_c=-11.0,
    )


def find_descents(
    workout: Workout, *, steeper_than: float = 0.035, longer_than_s: float = 60.0
) -> list[Span]:
    """Return the stretches of a workout that lead downhill."""
    path = workout.place.path
    if not isinstance(path, Path):
        return []
    ahead = path.climb(workout.distance_m + 5.0) - path.climb(workout.distance_m - 5.0)
    down = (ahead / 10.0 < -steeper_than) & (workout.speed_mps > 0.5)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], down.astype(int), [0]])))
    return [
        Span("descent", float(start), float(end))
        for start, end in zip(edges[::2], edges[1::2], strict=True)
        if end - start >= longer_than_s
    ]
