"""Satellite errors that drift, wander under trees and jump between houses; distance and speed."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.simulate.athlete import draw_memory_noise
from tests.simulate.effects_other import DISTANCE, SPEED
from tests.simulate.effects_position import POSITION
from tests.simulate.manifest import Entry
from tests.simulate.script import Workout
from tests.simulate.trace import Changed, Trace

Floats = NDArray[np.float64]

#: Memory of what is left of atmosphere and orbits, and of the receiver's own jitter [s].
DRIFT_S, JITTER_S, JITTER_M = 900.0, 1.5, 0.12
#: How long a reflection between houses lasts, and how fast the fix moves to the next one [s].
REFLECTION_S, MOVES_S = 22.0, 3.0
TREES_S = 24.0


@dataclass(frozen=True)
class DriftingFix:
    """Errors of each coordinate that are correlated in time, and larger where less sky is seen.

    Sums of first-order Gauss-Markov processes (Ornstein-Uhlenbeck), which fit stationary receivers
    better than white noise (Sensors 2020, 20:6050). Memories lie within the bounds used for
    multipath, 10 to 900 s, and troposphere, 900 to 2700 s (Joerger and Pervan 2020, from a table
    in NAVIGATION). Sizes, and reflections that hold for a while and change at once, are common
    practice without a source.
    """

    open_m: float
    trees_m: float
    street_m: float
    memory_s: float = 45.0

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        path = workout.place.path
        if path is None:
            return trace, ()
        count = len(trace.time_s)
        gone = np.interp(trace.time_s, workout.time_s, workout.distance_m)
        street, trees = path.see_sky(gone)
        off = []
        for _ in range(2):
            error = draw_memory_noise(count, DRIFT_S, 0.75 * self.open_m, rng)
            error += draw_memory_noise(count, self.memory_s, 0.65 * self.open_m, rng)
            error += draw_memory_noise(count, JITTER_S, JITTER_M, rng)
            error += trees * draw_memory_noise(count, TREES_S, self.trees_m, rng)
            error += street * _draw_reflections(count, self.street_m, rng)
            off.append(error)
        entry = Entry(
            "position_drift",
            POSITION,
            0.0,
            workout.duration_s,
            float(np.sqrt(np.mean(off[0] ** 2 + off[1] ** 2))),
            "m",
            {"open_m": self.open_m, "trees_m": self.trees_m, "street_m": self.street_m},
        )
        changed = trace.with_channel("east_m", trace.channels["east_m"] + off[0])
        return changed.with_channel("north_m", trace.channels["north_m"] + off[1]), (entry,)


def _draw_reflections(count: int, deviation_m: float, rng: np.random.Generator) -> Floats:
    """Return errors that hold for some time and then move to another value within seconds."""
    from scipy.signal import lfilter  # noqa: PLC0415  # costs most of the start-up

    held = np.empty(count)
    at = 0
    while at < count:
        lasts = 3 + round(rng.exponential(REFLECTION_S))
        held[at : at + lasts] = rng.normal(0.0, deviation_m)
        at += lasts
    keep = float(np.exp(-1.0 / MOVES_S))
    return np.asarray(lfilter([1.0 - keep], [1.0, -keep], held))


@dataclass(frozen=True)
class WanderingDistance:
    """The device's distance is a known share of the truth in all; on the way that share wanders."""

    factor: float
    wander: float = 0.012
    memory_s: float = 60.0

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        true = trace.channels[DISTANCE]
        share = 1.0 + draw_memory_noise(len(true), self.memory_s, self.wander, rng)
        steps = np.diff(true, prepend=true[0]) * share
        counted = true[0] + np.cumsum(steps)
        counted *= self.factor * true[-1] / counted[-1]
        size = (self.factor - 1.0) * 100.0
        entry = Entry("distance_scale", DISTANCE, 0.0, workout.duration_s, size, "pct")
        return trace.with_channel(DISTANCE, counted), (entry,)


@dataclass(frozen=True)
class SpeedJitter:
    """The speed of a moving receiver wanders a little about the truth; at rest it is none."""

    sd_mps: float
    memory_s: float = 3.0

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        speed = trace.channels[SPEED]
        noise = draw_memory_noise(len(speed), self.memory_s, self.sd_mps, rng)
        shown = np.where(speed > 0.3, np.maximum(speed + noise, 0.1), speed)
        entry = Entry(
            "speed_noise", SPEED, 0.0, workout.duration_s, self.sd_mps, "m/s",
            {"memory_s": self.memory_s},
        )  # fmt: skip
        return trace.with_channel(SPEED, shown), (entry,)
