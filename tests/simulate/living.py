"""A workout as it is lived on a route: slopes, corners and lights decide how fast it goes."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from tests.simulate.athlete import Athlete, draw_beats, draw_memory_noise, respond
from tests.simulate.effort_costs import RUNNING, WALKING, compare_cost, find_force
from tests.simulate.places import Path, Place
from tests.simulate.script import Span, Workout, join_segments, seed_stream, travel

Floats = NDArray[np.float64]

LONGEST_S = 6 * 3600
#: How hard anybody leans into a bend and brakes before it [m/s2] (common practice, no source).
LEANS_MPS2, BRAKES_MPS2 = 2.6, 1.3
#: What part of the cost of a slope the pace gives way to; the heart feels the rest.
GIVES_WAY_UP, GIVES_WAY_DOWN = 0.72, 0.42
#: Nobody wants the same all the time: share and memory [s] of slow and of quick changes.
WISHES = ((0.035, 150.0), (0.042, 10.0))
STANDING_DEMAND, RESTING_SHARE = 0.2, 0.1
PACE_CHANGE_S = 3.0
#: Riders push harder uphill and let it roll downhill; above some speed they only roll.
PUSHES_UPHILL, COASTS_FROM_MPS, FASTEST_MPS, CREEPS_MPS = 5.0, 13.0, 14.5, 0.7
#: A stage ends so near its end; a bend is measured over some metres.
NEAR_M, BEND_M = 0.5, 6


@dataclass(frozen=True)
class Stage:
    """A stretch of the route: up to where, how fast or strong on the flat, how hard; the wait then.

    `demand` is the share of the heart-rate reserve on the flat.
    """

    name: str
    to_m: float
    demand: float
    cadence_per_min: float
    speed_mps: float = 0.0
    power_w: float = 0.0
    wait_s: float = 0.0
    segment: str = ""


@dataclass(frozen=True)
class Mover:
    """How somebody gets along: by feet with the cost of slopes, or by wheels with their forces."""

    costs: tuple[float, ...] = ()
    mass_kg: float = 84.0
    drag_m2: float = 0.42
    rolling: float = 0.006


RUNNER = Mover(costs=RUNNING)
WALKER = Mover(costs=WALKING)
RIDER = Mover()
MOUNTAIN_BIKER = Mover(mass_kg=87.0, drag_m2=0.52, rolling=0.016)


@dataclass
class _Way:
    """What came of it so far, second by second; borders are where efforts begin."""

    along_m: float = 0.0
    speeds: list[float] = field(default_factory=list)
    slopes: list[float] = field(default_factory=list)
    works: list[float] = field(default_factory=list)
    efforts: list[Stage] = field(default_factory=list)
    borders: list[int] = field(default_factory=list)

    def begin(self, effort: Stage) -> None:
        self.efforts.append(effort)
        self.borders.append(len(self.speeds))

    def add(self, speed: float, slope: float, work: float) -> None:
        self.along_m += speed
        self.speeds.append(speed)
        self.slopes.append(slope)
        self.works.append(work)

    def spread(self, feature: str) -> Floats:
        """Return a feature of the effort of each second."""
        lengths = np.diff([*self.borders, len(self.speeds)])
        return np.repeat([getattr(effort, feature) for effort in self.efforts], lengths)


def live(
    stages: Sequence[Stage],
    *,
    mover: Mover,
    name: str,
    activity: str,
    place: Place,
    start_utc: datetime,
    seed: int,
    athlete: Athlete,
    temperature_c: float,
) -> Workout:
    """Live through the stages of a route; the workout ends where the last of them does."""
    rng = seed_stream(seed, name, "athlete")
    way = _go(stages, mover, place, rng)
    speed, slope, work = (np.array(one) for one in (way.speeds, way.slopes, way.works))
    # The last second leads a step beyond the end.
    speed = speed * (stages[-1].to_m / travel(speed)[-1])
    moving = speed > 0.3
    if mover.costs:
        pushes, power = moving, np.zeros(len(speed))
        hurry = speed - way.spread("speed_mps")
    else:
        pushes = moving & (work > 0.05)
        uneven = 1.0 + draw_memory_noise(len(speed), 3.0, 0.07, rng)
        power = np.where(pushes, np.clip(way.spread("power_w") * work * uneven, 0.0, None), 0.0)
        hurry = np.zeros(len(speed))
    cadence = _turn(way, mover, slope, hurry, rng)
    demand = way.spread("demand")
    felt = RESTING_SHARE + (demand - RESTING_SHARE) * work
    felt = np.where(moving, felt, np.minimum(felt, STANDING_DEMAND))
    heart_rate = respond(athlete, np.clip(felt, 0.12, 0.97), 1.0, rng)
    time = np.arange(len(speed), dtype=float)
    borders = np.array([*way.borders, len(speed) - 1], dtype=float)
    return Workout(
        name=name,
        activity=activity,
        place=place,
        start_utc=start_utc,
        temperature_c=temperature_c,
        time_s=time,
        heart_rate_bpm=heart_rate,
        speed_mps=speed,
        distance_m=travel(speed),
        cadence_per_min=np.where(pushes, cadence, 0.0),
        power_w=power,
        beats_s=draw_beats(athlete, time, heart_rate, rng),
        efforts=tuple(
            Span(effort.name, float(start), float(end))
            for effort, start, end in zip(way.efforts, borders, borders[1:], strict=False)
        ),
        segments=join_segments([effort.segment for effort in way.efforts], borders),
    )


def _turn(
    way: _Way, mover: Mover, slope: Floats, hurry_mps: Floats, rng: np.random.Generator
) -> Floats:
    """Return the cadence: on foot it rises with speed and downhill, on wheels it falls uphill.

    By how much is common practice, no source.
    """
    count = len(slope)
    wander = draw_memory_noise(count, 12.0, 2.0, rng) + draw_memory_noise(count, 2.0, 0.7, rng)
    usual = way.spread("cadence_per_min")
    if mover.costs:
        return usual + 6.0 * hurry_mps - 40.0 * np.minimum(slope, 0.0) + wander
    return usual * np.clip(1.0 - 2.4 * slope, 0.72, 1.12) + 1.6 * wander


def _go(stages: Sequence[Stage], mover: Mover, place: Place, rng: np.random.Generator) -> _Way:
    """Go along the route second by second; halt where a stage says so."""
    if place.path is None:
        raise ValueError(f"{place.name}: indoors there is no route")
    metres = np.arange(0.0, stages[-1].to_m + 50.0)
    slopes = np.gradient(place.path.climb(metres))
    halts = [stage.to_m for stage in stages if stage.wait_s]
    limits = _limit_speed(place.path, metres, halts).tolist()
    costs = compare_cost(slopes, mover.costs or (1.0,)).tolist()
    wishes = np.ones(LONGEST_S)
    for share, memory_s in WISHES:
        wishes += draw_memory_noise(LONGEST_S, memory_s, share, rng)
    wanted = np.clip(wishes, 0.8, 1.2).tolist()
    hills = slopes.tolist()
    way, speed = _Way(), 0.0
    for stage in stages:
        way.begin(stage)
        while way.along_m < stage.to_m - NEAR_M:
            at, wish = int(way.along_m), wanted[len(way.speeds)]
            if mover.costs:
                speed, work = _step(stage, speed, wish, costs[at], limits[at])
            else:
                speed, work = _roll(stage, mover, speed, wish, hills[at], limits[at])
            way.add(speed, hills[at], work)
        if stage.wait_s:
            speed = 0.0
            way.begin(replace(stage, name=f"{stage.name}, waiting", demand=0.2, power_w=0.0))
            for _ in range(round(stage.wait_s)):
                way.add(0.0, 0.0, 0.0)
    return way


def _step(
    stage: Stage, speed: float, wish: float, cost: float, limit: float
) -> tuple[float, float]:
    """Return speed and work (share of that on the flat) of a second on foot."""
    gives = GIVES_WAY_UP if cost > 1.0 else GIVES_WAY_DOWN
    target = min(stage.speed_mps * wish * cost**-gives, limit)
    speed = min(speed + (target - speed) / PACE_CHANGE_S, limit)
    return speed, min(speed / stage.speed_mps * cost, 1.8)


def _roll(
    stage: Stage, mover: Mover, speed: float, wish: float, slope: float, limit: float
) -> tuple[float, float]:
    """Return speed and work (share of that on the flat) of a second on wheels."""
    work = wish * min(max(1.0 + PUSHES_UPHILL * slope, 0.0), 1.7)
    if speed > COASTS_FROM_MPS or limit < speed + 0.3:
        work = 0.0
    against = find_force(speed, slope, mover.mass_kg, mover.drag_m2, mover.rolling)
    gain = (work * stage.power_w / max(speed, 1.5) - against) / mover.mass_kg
    return min(max(speed + min(gain, 1.2), 0.0), limit), work


def _limit_speed(path: Path, metres: Floats, halts_m: Sequence[float]) -> Floats:
    """Return how fast one may be at each metre: bends, halts, and the way to brake before them."""
    east, north = path.locate(metres)
    heading = np.unwrap(np.arctan2(np.gradient(north), np.gradient(east)))
    bend = np.abs(heading[BEND_M:] - heading[:-BEND_M]) / BEND_M
    bend = np.pad(bend, BEND_M // 2, mode="edge")[: len(metres)]
    square = np.minimum(LEANS_MPS2 / np.maximum(bend, 1e-6), FASTEST_MPS**2)
    for halt in halts_m:
        square[int(halt)] = 0.0
    ahead = square + 2.0 * BRAKES_MPS2 * metres
    reachable = np.minimum.accumulate(ahead[::-1])[::-1] - 2.0 * BRAKES_MPS2 * metres
    return np.sqrt(np.maximum(reachable, CREEPS_MPS**2))
