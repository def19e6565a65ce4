"""What a wrist does to an optical sensor: errors that creep in, wander and go again.

Motion as the cause: Bent et al. 2020, npj Digital Medicine 3:18. Sizes and shapes are common
practice without a source. When an error begins and ends is known to the second.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.simulate.athlete import draw_memory_noise
from tests.simulate.effects_heart_rate import HEART_RATE
from tests.simulate.manifest import Entry
from tests.simulate.script import Workout
from tests.simulate.trace import Changed, Trace, draw_starts

Floats = NDArray[np.float64]

#: No sensor shows less before it has found the pulse.
LEAST_BPM = 46.0
#: What is called right, with which a lock ends its approach.
RIGHT_BPM = 5.0
SETTLES_S = 3.0


@dataclass(frozen=True)
class RestlessSensor:
    """Noise with a memory that is loud for a while and quiet for a while, as a band sits."""

    sd_bpm: float
    memory_s: float = 5.0
    mood_sd: float = 0.4
    mood_s: float = 90.0

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        count = len(trace.time_s)
        mood = np.exp(draw_memory_noise(count, self.mood_s, self.mood_sd, rng) - self.mood_sd**2)
        noise = mood * draw_memory_noise(count, self.memory_s, self.sd_bpm, rng)
        entry = Entry(
            "noise", HEART_RATE, 0.0, workout.duration_s, float(noise.std()), "bpm",
            {"memory_s": self.memory_s},
        )  # fmt: skip
        return trace.with_channel(HEART_RATE, trace.channels[HEART_RATE] + noise), (entry,)


@dataclass(frozen=True)
class SlowLock:
    """Until the lock the sensor is low by a wandering amount about `low_bpm`, and starts afresh.

    Long searches come near the pulse once and lose it. In the last `reach_s` seconds
    the error shrinks, to 5 bpm at `lock_s`.
    """

    lock_s: float
    low_bpm: float = 30.0
    first_value_s: float = 0.0
    reach_s: float = 16.0

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del workout
        time, rate = trace.time_s, trace.channels[HEART_RATE]
        reach = min(self.reach_s, self.lock_s / 2.0)
        low = self.low_bpm * self._draw_share(time, rng)
        near = np.clip((time - self.lock_s + reach) / reach, 0.0, 1.0)
        low = low * (1.0 - near) + RIGHT_BPM * near
        low[time >= self.lock_s] = 0.0
        behind = np.where(time >= self.lock_s, time - self.lock_s, 0.0)
        left = np.where(time >= self.lock_s, RIGHT_BPM * np.exp(-behind / SETTLES_S), 0.0)
        shown = rate - low - left
        floor = LEAST_BPM + draw_memory_noise(len(time), 10.0, 2.0, rng)
        shown = np.where(time < self.lock_s, np.maximum(shown, floor), shown)
        shown[time < self.first_value_s] = np.nan
        entry = Entry(
            "late_lock", HEART_RATE, 0.0, self.lock_s, self.lock_s, "s",
            {"low_bpm": self.low_bpm, "first_value_s": self.first_value_s},
        )  # fmt: skip
        return trace.with_channel(HEART_RATE, shown), (entry,)

    def _draw_share(self, time: Floats, rng: np.random.Generator) -> Floats:
        """Return how far below it is from second to second, as a share of the usual amount."""
        share = 1.0 + draw_memory_noise(len(time), 20.0, 0.2, rng)
        at = self.first_value_s
        while at < self.lock_s:
            # It starts afresh with another guess, from which it drifts.
            lasts = 15.0 + rng.exponential(35.0)
            share[(time >= at) & (time < at + lasts)] *= rng.uniform(0.7, 1.4)
            at += lasts
        share = np.clip(share, 0.6, 1.7)
        if self.lock_s > 120.0:
            found = rng.uniform(0.35, 0.75) * self.lock_s
            away = np.abs(time - found) - rng.uniform(1.0, 4.0)
            share *= np.clip(away / 9.0, 0.4, 1.0)
        return share


@dataclass(frozen=True)
class StrayCadence:
    """Between two instants the sensor slides to the cadence, follows it, and slides back."""

    start_s: float
    end_s: float
    slide_s: float = 6.0
    sd_bpm: float = 0.8

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        time, rate = trace.time_s, trace.channels[HEART_RATE]
        cadence = np.interp(time, workout.time_s, workout.cadence_per_min)
        steps = np.convolve(np.pad(cadence, 1, mode="edge"), np.ones(3) / 3.0, mode="valid")
        noise = draw_memory_noise(len(time), 3.0, self.sd_bpm, rng)
        edge = np.minimum(time - self.start_s, self.end_s - time) / self.slide_s
        held = np.clip(edge, 0.0, 1.0) * (cadence > 0)
        shown = rate + held * (steps + noise - rate)
        locked = held >= 1.0
        size = float((shown - rate)[locked].mean()) if locked.any() else 0.0
        entry = Entry(
            "cadence_lock", HEART_RATE, self.start_s, self.end_s, size, "bpm",
            {"seconds": float((held > 0).sum())},
        )  # fmt: skip
        return trace.with_channel(HEART_RATE, shown), (entry,)


@dataclass(frozen=True)
class WanderingStretch:
    """Between two instants the value is off by an amount that wanders; its mean is `bias_bpm`."""

    start_s: float
    end_s: float
    bias_bpm: float
    wander_bpm: float = 2.5
    edge_s: float = 8.0

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del workout
        time, rate = trace.time_s, trace.channels[HEART_RATE]
        inside = trace.between(self.start_s, self.end_s)
        edge = np.clip(np.minimum(time - self.start_s, self.end_s - time) / self.edge_s, 0.0, 1.0)
        wander = draw_memory_noise(len(time), 15.0, self.wander_bpm, rng)
        off = np.where(inside, edge * (self.bias_bpm + wander), 0.0)
        off *= self.bias_bpm / float(off[inside].mean())
        entry = Entry("biased_stretch", HEART_RATE, self.start_s, self.end_s, self.bias_bpm, "bpm")
        return trace.with_channel(HEART_RATE, rate + off), (entry,)


@dataclass(frozen=True)
class SluggishRise:
    """Between two instants a wandering small share of the rise is followed; then it catches up."""

    start_s: float
    end_s: float
    followed: float = 0.15
    catches_up_s: float = 10.0

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del workout
        time, rate = trace.time_s, trace.channels[HEART_RATE]
        begin = float(np.interp(self.start_s, time, rate))
        share = self.followed + draw_memory_noise(len(time), 20.0, 0.05, rng)
        caught = np.clip((time - self.end_s + self.catches_up_s) / self.catches_up_s, 0.0, 1.0)
        share = np.clip(share + (1.0 - share) * caught, 0.0, 1.0)
        inside = trace.between(self.start_s, self.end_s) & (rate > begin)
        shown = np.where(inside, begin + share * (rate - begin), rate)
        shortfall = float(np.max(rate - shown, initial=0.0))
        entry = Entry(
            "missed_rise", HEART_RATE, self.start_s, self.end_s, shortfall, "bpm",
            {"followed": self.followed},
        )  # fmt: skip
        return trace.with_channel(HEART_RATE, shown), (entry,)


@dataclass(frozen=True)
class RaggedSpikes:
    """Some short excursions of unlike size: up within two seconds, and down again."""

    count: int
    size_bpm: float = 26.0
    from_s: float = 300.0

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        shown = trace.channels[HEART_RATE].copy()
        entries = []
        longest = 9.0
        for start in draw_starts(self.count, longest, (self.from_s, workout.duration_s - 60), rng):
            size = self.size_bpm * float(rng.uniform(0.75, 1.35))
            length = float(rng.integers(5, int(longest)))
            into = trace.time_s - start
            shape = np.clip(np.minimum((into + 1.0) / 2.0, (length - into) / 3.0), 0.0, 1.0)
            shown += size * shape
            entries.append(Entry("spike", HEART_RATE, start, start + length, size, "bpm"))
        return trace.with_channel(HEART_RATE, shown), tuple(entries)


@dataclass(frozen=True)
class RaggedDropouts:
    """Some stretches without a value, of unlike length about `usual_s`."""

    count: int
    usual_s: float
    from_s: float = 300.0

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        shown = trace.channels[HEART_RATE].copy()
        longest = round(1.8 * self.usual_s)
        entries = []
        span = (self.from_s, workout.duration_s - 60.0)
        for start in draw_starts(self.count, float(longest), span, rng):
            length = float(rng.integers(round(0.45 * self.usual_s), longest))
            shown[trace.between(start, start + length)] = np.nan
            entries.append(Entry("dropout", HEART_RATE, start, start + length, length, "s"))
        return trace.with_channel(HEART_RATE, shown), tuple(entries)
