"""The eight workouts of the demo: three cold weeks in an invented valley."""

from dataclasses import replace
from datetime import UTC, datetime
from typing import Literal

import numpy as np

from tests.simulate import demo_places as land
from tests.simulate.athlete import Athlete
from tests.simulate.living import MOUNTAIN_BIKER, RIDER, RUNNER, WALKER, Stage, live
from tests.simulate.places import Path, Place, build_track
from tests.simulate.routes import Route
from tests.simulate.script import Effort, Span, SwimSet, Workout, perform, seed_stream, swim

SEED = 20251116
BODY = Athlete(slow_sd_bpm=1.6, slow_memory_s=70.0, drift_bpm_per_h=6.0)
#: Benchmarks ride here, too, round after round.
ROAD = land.build_road()
#: How far before the end of a round somebody stops the watch.
SHORT_OF_END_M = 20.0
#: A slope is felt over this way.
SLOPE_OVER_M = 60.0


def _at(day: int, hour: int, minute: int, *, month: int = 11) -> datetime:
    return datetime(2025, month, day, hour, minute, tzinfo=UTC)


def run_track() -> Workout:
    """Fifteen laps of the track, 6 km: steady, then faster."""
    stages = [
        Stage("easy laps", 1600.0, 0.58, 164.0, 2.9),
        Stage("steady laps", 4000.0, 0.70, 170.0, 3.3),
        Stage("fast laps", 6000.0, 0.84, 176.0, 3.7),
    ]
    return live(
        stages,
        mover=RUNNER,
        name="track laps",
        activity="running",
        place=Place("track", build_track(), 900.0),
        start_utc=_at(16, 9, 30),
        seed=SEED,
        athlete=replace(BODY, start_bpm=97.0),
        temperature_c=-6.0,
    )


def run_trail() -> Workout:
    """One round of the forest trail."""
    trail = land.build_trail()
    stages = [
        Stage("warm-up", 600.0, 0.50, 160.0, 2.5),
        Stage("trail", trail.length_m - SHORT_OF_END_M, 0.67, 168.0, 2.8),
    ]
    return live(
        stages,
        mover=RUNNER,
        name="forest trail",
        activity="running",
        place=Place("trail", trail),
        start_utc=_at(19, 14, 10),
        seed=SEED,
        athlete=replace(BODY, start_bpm=90.0),
        temperature_c=-9.0,
    )


def ride_road() -> Workout:
    """A road ride over two hills, with lights in the village and a crossing on the way."""
    marks = ROAD.marks_m
    stages = [
        Stage("warm-up", marks[1], 0.44, 82.0, power_w=140.0, wait_s=24.0),
        Stage("warm-up", marks[3], 0.44, 82.0, power_w=140.0, wait_s=33.0),
        Stage("warm-up", marks[5], 0.48, 84.0, power_w=155.0),
        Stage("tempo", marks[9], 0.61, 90.0, power_w=215.0, wait_s=58.0),
        Stage("tempo", marks[13], 0.65, 91.0, power_w=225.0),
        Stage("sprint", marks[13] + 560.0, 0.90, 102.0, power_w=400.0),
        Stage("ride home", marks[16], 0.46, 84.0, power_w=145.0, wait_s=41.0),
        Stage("ride home", ROAD.length_m - SHORT_OF_END_M, 0.40, 80.0, power_w=125.0),
    ]
    return live(
        stages,
        mover=RIDER,
        name="road ride",
        activity="cycling",
        place=Place("road", ROAD),
        start_utc=_at(22, 10, 0),
        seed=SEED,
        athlete=replace(BODY, start_bpm=91.0),
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
        athlete=BODY,
    )


def lift() -> Workout:
    """Strength: four exercises of three sets with pauses."""
    rng = seed_stream(SEED, "strength", "sets")
    efforts = [Effort("warm-up", 240.0, 0.0, 0.40)]
    for exercise, demand in (
        ("squats", 0.80),
        ("rows", 0.66),
        ("presses", 0.62),
        ("kettlebell swings", 0.86),
    ):
        for number in range(1, 4):
            lasts, rests = float(rng.integers(42, 58)), float(rng.integers(62, 92))
            hard = demand * float(rng.uniform(0.92, 1.04))
            efforts.append(Effort(f"{exercise} {number}", lasts, 0.0, hard, segment=exercise))
            efforts.append(Effort(f"pause {number}", rests, 0.0, 0.32, segment=exercise))
    return perform(
        efforts,
        name="strength",
        activity="strength",
        place=Place("gym", None),
        start_utc=_at(26, 16, 30),
        seed=SEED,
        temperature_c=20.0,
        athlete=BODY,
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
    return swim(sets, name="pool", start_utc=_at(28, 6, 15), seed=SEED, athlete=BODY)


def ride_mixed() -> Workout:
    """Road out, forest trail, the same road home by mountain bike."""
    route = land.build_mixed()
    marks = route.marks_m
    out, wood, home = "road out", "forest trail", "road home"
    stages = [
        Stage(out, marks[1], 0.48, 80.0, power_w=140.0, wait_s=27.0, segment=out),
        Stage(out, marks[6], 0.58, 82.0, power_w=175.0, segment=out),
        Stage(wood, marks[20], 0.64, 74.0, power_w=205.0, segment=wood),
        Stage(home, marks[25], 0.60, 84.0, power_w=180.0, wait_s=19.0, segment=home),
        Stage(home, route.length_m - SHORT_OF_END_M, 0.50, 80.0, power_w=145.0, segment=home),
    ]
    return live(
        stages,
        mover=MOUNTAIN_BIKER,
        name="mixed ride",
        activity="mountain-biking",
        place=Place("mixed", route),
        start_utc=_at(30, 11, 20),
        seed=SEED,
        athlete=replace(BODY, start_bpm=84.0),
        temperature_c=-7.0,
    )


def hike() -> Workout:
    """A long hike over the ridge, with a rest on the farther top."""
    route = land.build_ridge()
    stages = [
        Stage("climb", route.marks_m[10], 0.40, 112.0, 1.3, wait_s=480.0),
        Stage("descent", route.length_m - SHORT_OF_END_M, 0.37, 114.0, 1.35),
    ]
    return live(
        stages,
        mover=WALKER,
        name="long hike",
        activity="hiking",
        place=Place("ridge", route),
        start_utc=_at(6, 8, 40, month=12),
        seed=SEED,
        athlete=replace(BODY, start_bpm=86.0),
        temperature_c=-11.0,
    )


def find_descents(
    workout: Workout, *, steeper_than: float = 0.035, longer_than_s: float = 60.0
) -> list[Span]:
    """Return the stretches of a workout that lead downhill."""
    path = workout.place.path
    if not isinstance(path, Path):
        return []
    half = SLOPE_OVER_M / 2.0
    ahead = path.climb(workout.distance_m + half) - path.climb(workout.distance_m - half)
    down = (ahead / SLOPE_OVER_M < -steeper_than) & (workout.speed_mps > 0.5)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], down.astype(int), [0]])))
    return [
        Span("descent", float(start), float(end))
        for start, end in zip(edges[::2], edges[1::2], strict=True)
        if end - start >= longer_than_s
    ]


def find_ground(workout: Workout, kind: Literal["street", "trees"]) -> list[Span]:
    """Return the stretches of a workout between houses, or in the wood."""
    path = workout.place.path
    if not isinstance(path, Route):
        return []
    inside = getattr(path, kind)[np.searchsorted(path.profile_m, workout.distance_m)] > 0.5
    edges = np.flatnonzero(np.diff(np.concatenate([[0], inside.astype(int), [0]])))
    return [
        Span(kind, float(start), float(end))
        for start, end in zip(edges[::2], edges[1::2], strict=True)
    ]
