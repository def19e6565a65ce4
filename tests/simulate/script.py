"""A workout as a script of efforts, and everything that is true of it."""

import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from tests.simulate.athlete import Athlete, draw_beats, draw_memory_noise, respond
from tests.simulate.places import Place

Floats = NDArray[np.float64]

# Seconds that the legs need for a new pace, and the share of it taken away per unit of slope.
PACE_CHANGE_S = 3.0
SLOPE_SLOWS = 3.0
# Nobody holds a pace exactly: it wanders by a share of itself, with a memory of some seconds.
PACE_WANDERS = 0.06
PACE_WANDERS_S = 8.0
CADENCE_WANDERS_PER_MIN = 2.0
SLOPE_COSTS = 2.2


@dataclass(frozen=True)
class Effort:
    """One stretch of the script: how long, how fast, how hard (share of heart-rate reserve)."""

    name: str
    duration_s: float
    speed_mps: float = 0.0
    demand: float = 0.3
    cadence_per_min: float = 0.0
    power_w: float = 0.0
    segment: str = ""


@dataclass(frozen=True)
class SwimSet:
    """Pool lengths at one pace, and the rest after them."""

    lengths: int
    seconds_per_length: float
    rest_s: float
    stroke: str = "freestyle"
    strokes_per_length: int = 18
    demand: float = 0.65


@dataclass(frozen=True)
class Span:
    """A named part of the workout, in true seconds after its start."""

    name: str
    start_s: float
    end_s: float


@dataclass(frozen=True)
class PoolLength:
    """One length of the pool as it was swum."""

    start_s: float
    end_s: float
    stroke: str
    strokes: int


@dataclass(frozen=True)
class Workout:
    """Everything that is true of one workout, second by second from its start."""

    name: str
    activity: str
    place: Place
    start_utc: datetime
    temperature_c: float
    time_s: Floats
    heart_rate_bpm: Floats
    speed_mps: Floats
    distance_m: Floats
    cadence_per_min: Floats
    power_w: Floats
    beats_s: Floats
    efforts: tuple[Span, ...]
    segments: tuple[Span, ...]
    pool_m: float = 0.0
    pool_lengths: tuple[PoolLength, ...] = ()

    @property
    def duration_s(self) -> float:
        """The true length of the workout [s]."""
        return float(self.time_s[-1])

    def sample(self, time_s: Floats) -> dict[str, Floats]:
        """Return every true channel at any instants [s]; channels that do not exist are NaN."""
        given = {
            name: np.interp(time_s, self.time_s, getattr(self, name))
            for name in (
                "heart_rate_bpm",
                "speed_mps",
                "distance_m",
                "cadence_per_min",
                "power_w",
            )
        }
        missing = np.full(len(time_s), np.nan)
        given["temperature_c"] = np.full(len(time_s), self.temperature_c)
        if self.place.path is None:
            return given | {"east_m": missing, "north_m": missing, "altitude_m": missing}
        east, north = self.place.path.locate(given["distance_m"])
        return given | {
            "east_m": east,
            "north_m": north,
            "altitude_m": self.place.path.climb(given["distance_m"]),
        }

    def true_ascent_m(self) -> float:
        """Return the true ascent: the rises of the profile that were really climbed."""
        if self.place.path is None:
            return 0.0
        return float(np.clip(self._steps_m(), 0.0, None).sum())

    def true_descent_m(self) -> float:
        """Return the true descent: the falls of the profile that were really passed."""
        if self.place.path is None:
            return 0.0
        return float(np.clip(-self._steps_m(), 0.0, None).sum())

    def _steps_m(self) -> Floats:
        if self.place.path is None:
            return np.empty(0)
        fine = np.arange(0.0, float(self.distance_m[-1]), 0.5)
        return np.diff(self.place.path.climb(fine))


def seed_stream(seed: int, *words: str) -> np.random.Generator:
    """Return a stream of random numbers of its own for each purpose, so that none moves another."""
    return np.random.default_rng([seed, *(zlib.crc32(word.encode()) for word in words)])


def perform(
    efforts: Sequence[Effort],
    *,
    name: str,
    activity: str,
    place: Place,
    start_utc: datetime,
    seed: int,
    athlete: Athlete | None = None,
    temperature_c: float = 4.0,
    finish_m: float | None = None,
) -> Workout:
    """Live through a script; `finish_m` scales the pace so that the whole has that length."""
    athlete = athlete or Athlete()
    borders = np.cumsum([0.0, *(effort.duration_s for effort in efforts)])
    time = np.arange(0.0, borders[-1] + 0.5)
    which = np.clip(np.searchsorted(borders, time, side="right") - 1, 0, len(efforts) - 1)
    wanted = np.array([effort.speed_mps for effort in efforts])[which]
    demand = np.array([effort.demand for effort in efforts])[which]
    speed, slope = _walk(wanted, place)
    rng = seed_stream(seed, name, "athlete")
    if place.path is not None:
        wander = draw_memory_noise(len(time), PACE_WANDERS_S, PACE_WANDERS, rng)
        speed = speed * np.clip(1.0 + wander, 0.7, 1.3)
    if finish_m is not None:
        speed = speed * (finish_m / travel(speed)[-1])
    moving = speed > 0.3
    cadence = np.array([effort.cadence_per_min for effort in efforts])[which]
    cadence = np.where(
        (cadence > 0) & (moving | (place.path is None)),
        cadence + draw_memory_noise(len(time), 10.0, CADENCE_WANDERS_PER_MIN, rng),
        0.0,
    )
    power = np.array([effort.power_w for effort in efforts])[which]
    power = np.clip(
        np.where(power > 0, power * (1 + 3.0 * slope), 0.0)
        + (power > 0) * draw_memory_noise(len(time), 4.0, 14.0, rng),
        0.0,
        None,
    )
    hard = np.clip(demand * (1.0 + SLOPE_COSTS * slope), 0.12, 0.97)
    heart_rate = respond(athlete, hard, 1.0, rng)
    spans = tuple(
        Span(effort.name, float(start), float(end))
        for effort, start, end in zip(efforts, borders, borders[1:], strict=False)
    )
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
        cadence_per_min=cadence,
        power_w=power,
        beats_s=draw_beats(athlete, time, heart_rate, rng),
        efforts=spans,
        segments=join_segments([effort.segment for effort in efforts], borders),
    )


def swim(
    sets: Sequence[SwimSet],
    *,
    name: str,
    start_utc: datetime,
    seed: int,
    pool_m: float = 25.0,
    athlete: Athlete | None = None,
) -> Workout:
    """Live through a pool session; the speed is that of the length, zero in the rests."""
    athlete = athlete or Athlete()
    rng = seed_stream(seed, name, "athlete")
    clock = 0.0
    lengths: list[PoolLength] = []
    efforts: list[Span] = []
    demands: list[tuple[float, float]] = []
    for number, part in enumerate(sets, start=1):
        begun = clock
        for _ in range(part.lengths):
            took = float(round(part.seconds_per_length + rng.normal(0.0, 0.5)))
            strokes = part.strokes_per_length + int(rng.integers(-1, 2))
            lengths.append(PoolLength(clock, clock + took, part.stroke, strokes))
            clock += took
        efforts.append(Span(f"set {number}", begun, clock))
        demands += [(begun, part.demand), (clock, 0.3)]
        clock += part.rest_s
    time = np.arange(0.0, clock + 0.5)
    borders = np.array([length.start_s for length in lengths])
    ends = np.array([length.end_s for length in lengths])
    done = np.searchsorted(borders, time, side="right") - 1
    swum = np.clip((time - borders[done]) / (ends[done] - borders[done]), 0.0, 1.0)
    distance = (done + swum) * pool_m
    speed = np.where(time < ends[done], pool_m / (ends[done] - borders[done]), 0.0)
    steps = np.array([start for start, _ in demands])
    hard = np.array([level for _, level in demands])[
        np.clip(np.searchsorted(steps, time, side="right") - 1, 0, None)
    ]
    heart_rate = respond(athlete, hard, 1.0, rng)
    pace = np.array([length.strokes * 60.0 / (length.end_s - length.start_s) for length in lengths])
    return Workout(
        name=name,
        activity="swimming",
        place=Place("pool", None),
        start_utc=start_utc,
        temperature_c=27.0,
        time_s=time,
        heart_rate_bpm=heart_rate,
        speed_mps=speed,
        distance_m=distance,
        cadence_per_min=np.where(speed > 0, pace[done], 0.0),
        power_w=np.zeros(len(time)),
        beats_s=draw_beats(athlete, time, heart_rate, rng),
        efforts=tuple(efforts),
        segments=(),
        pool_m=pool_m,
        pool_lengths=tuple(lengths),
    )


def _walk(wanted: Floats, place: Place) -> tuple[Floats, Floats]:
    """Return speed and slope second by second: pace changes take time, hills slow down."""
    if place.path is None:
        table = np.zeros(2)
    else:
        table = place.path.climb(np.arange(0.0, place.path.length_m + 1.0))
    slopes = np.gradient(table).tolist()
    round_m = len(slopes) - 1
    speed, along = 0.0, 0.0
    speeds, felt = [], []
    for goal in wanted.tolist():
        slope = slopes[int(along) % round_m] if round_m > 1 else 0.0
        target = goal * min(max(1.0 - SLOPE_SLOWS * slope, 0.5), 1.35)
        speed += (target - speed) / PACE_CHANGE_S
        speed = 0.0 if speed < 0.05 and goal == 0.0 else speed
        along += speed
        speeds.append(speed)
        felt.append(slope if goal > 0 else 0.0)
    return np.array(speeds), np.array(felt)


def travel(speed_mps: Floats) -> Floats:
    """Return the distance after each second [m]."""
    steps = (speed_mps[1:] + speed_mps[:-1]) / 2.0
    return np.concatenate([[0.0], np.cumsum(steps)])


def join_segments(names: Sequence[str], borders: Floats) -> tuple[Span, ...]:
    """Return the named segments of efforts; neighbours of one name are one segment."""
    spans: list[Span] = []
    for name, start, end in zip(names, borders, borders[1:], strict=False):
        if not name:
            continue
        if spans and spans[-1].name == name and spans[-1].end_s == start:
            spans[-1] = Span(name, spans[-1].start_s, float(end))
        else:
            spans.append(Span(name, float(start), float(end)))
    return tuple(spans)
