"""What optical sensors and chest straps do to the heart rate."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tests.simulate.athlete import draw_memory_noise
from tests.simulate.manifest import Entry
from tests.simulate.script import Workout
from tests.simulate.trace import Changed, Trace, draw_starts

Floats = NDArray[np.float64]
HEART_RATE = "heart_rate_bpm"


@dataclass(frozen=True)
class LateLock:
    """Until the lock the sensor reads low by `low_bpm`; before `first_value_s` it has no value."""

    lock_s: float
    low_bpm: float = 30.0
    first_value_s: float = 0.0

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del workout, rng
        rate = trace.channels[HEART_RATE]
        early = trace.time_s < self.lock_s
        changed = np.where(early, np.maximum(rate - self.low_bpm, 45.0), rate)
        changed[trace.time_s < self.first_value_s] = np.nan
        entry = Entry(
            "late_lock",
            HEART_RATE,
            0.0,
            self.lock_s,
            self.lock_s,
            "s",
            {"low_bpm": self.low_bpm, "first_value_s": self.first_value_s},
        )
        return trace.with_channel(HEART_RATE, changed), (entry,)


@dataclass(frozen=True)
class FirstOrderResponse:
    """The value answers the truth, straight between seconds, as a first-order system does.

    Both its delay on a ramp and the time in which a difference falls to 1/e are the constant.
    """

    constant_s: float

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del rng
        from scipy.signal import cont2discrete, lfilter, lfilter_zi  # noqa: PLC0415  # slow

        rate = trace.channels[HEART_RATE]
        # Held straight between the samples ("foh"), the discrete system is exact.
        above, below, _ = cont2discrete(([1.0], [self.constant_s, 1.0]), 1.0, method="foh")
        above = np.ravel(above)
        changed, _ = lfilter(above, below, rate, zi=lfilter_zi(above, below) * rate[0])
        entry = Entry("delay", HEART_RATE, 0.0, workout.duration_s, self.constant_s, "s")
        return trace.with_channel(HEART_RATE, changed), (entry,)


@dataclass(frozen=True)
class FirstOrderDelay:
    """The value moves by a share of the difference each second; its delay on a ramp is constant_s.

    A difference falls to 1/e in 1 / ln(1 + 1 / constant_s) seconds, about half a second more: it
    is no test of time constants.
    """

    constant_s: float

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del rng
        from scipy.signal import lfilter, lfiltic  # noqa: PLC0415  # costs most of the start-up

        rate = trace.channels[HEART_RATE]
        # The discrete lag 1/(e^(1/T)-1) is made equal to the constant itself.
        keep = self.constant_s / (1.0 + self.constant_s)
        begin = lfiltic([1.0 - keep], [1.0, -keep], [rate[0]])
        changed, _ = lfilter([1.0 - keep], [1.0, -keep], rate, zi=begin)
        entry = Entry("delay", HEART_RATE, 0.0, workout.duration_s, self.constant_s, "s")
        return trace.with_channel(HEART_RATE, changed), (entry,)


@dataclass(frozen=True)
class PureDelay:
    """The value is the truth of some seconds ago."""

    delay_s: float

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del rng
        rate = trace.channels[HEART_RATE]
        changed = np.interp(trace.time_s - self.delay_s, trace.time_s, rate)
        entry = Entry("delay", HEART_RATE, 0.0, workout.duration_s, self.delay_s, "s")
        return trace.with_channel(HEART_RATE, changed), (entry,)


@dataclass(frozen=True)
class TrailingMean:
    """The value is the mean of the last seconds, as most displays show it."""

    window_s: int

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del rng
        rate = trace.channels[HEART_RATE]
        padded = np.concatenate([np.full(self.window_s - 1, rate[0]), rate])
        sums = np.cumsum(np.concatenate([[0.0], padded]))
        changed = (sums[self.window_s :] - sums[: -self.window_s]) / self.window_s
        size = (self.window_s - 1) / 2.0
        entry = Entry("smoothing", HEART_RATE, 0.0, workout.duration_s, size, "s")
        return trace.with_channel(HEART_RATE, changed), (entry,)


@dataclass(frozen=True)
class SensorNoise:
    """Noise with a memory, as optical readings have it."""

    sd_bpm: float
    memory_s: float = 6.0

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        rate = trace.channels[HEART_RATE]
        noise = draw_memory_noise(len(rate), self.memory_s, self.sd_bpm, rng)
        entry = Entry(
            "noise",
            HEART_RATE,
            0.0,
            workout.duration_s,
            self.sd_bpm,
            "bpm",
            {"memory_s": self.memory_s},
        )
        return trace.with_channel(HEART_RATE, rate + noise), (entry,)


@dataclass(frozen=True)
class ConstantBias:
    """The value is off by a constant."""

    bias_bpm: float

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del rng
        changed = trace.channels[HEART_RATE] + self.bias_bpm
        entry = Entry("bias", HEART_RATE, 0.0, workout.duration_s, self.bias_bpm, "bpm")
        return trace.with_channel(HEART_RATE, changed), (entry,)


@dataclass(frozen=True)
class BiasedStretch:
    """Between two instants the value is off by a constant."""

    start_s: float
    end_s: float
    bias_bpm: float

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del workout, rng
        rate = trace.channels[HEART_RATE]
        changed = np.where(trace.between(self.start_s, self.end_s), rate + self.bias_bpm, rate)
        entry = Entry("biased_stretch", HEART_RATE, self.start_s, self.end_s, self.bias_bpm, "bpm")
        return trace.with_channel(HEART_RATE, changed), (entry,)


@dataclass(frozen=True)
class MissedRise:
    """Between two instants only a share of the rise since the first of them is followed."""

    start_s: float
    end_s: float
    followed: float = 0.15

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del workout, rng
        rate = trace.channels[HEART_RATE]
        begin = float(np.interp(self.start_s, trace.time_s, rate))
        inside = trace.between(self.start_s, self.end_s) & (rate > begin)
        changed = np.where(inside, begin + self.followed * (rate - begin), rate)
        shortfall = float(np.max(np.where(inside, rate - changed, 0.0), initial=0.0))
        entry = Entry(
            "missed_rise",
            HEART_RATE,
            self.start_s,
            self.end_s,
            shortfall,
            "bpm",
            {"followed": self.followed},
        )
        return trace.with_channel(HEART_RATE, changed), (entry,)


@dataclass(frozen=True)
class CadenceLock:
    """Between two instants the sensor takes the steps for the pulse."""

    start_s: float
    end_s: float
    jitter_bpm: float = 0.7

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        rate = trace.channels[HEART_RATE]
        cadence = np.interp(trace.time_s, workout.time_s, workout.cadence_per_min)
        inside = trace.between(self.start_s, self.end_s) & (cadence > 0)
        noise = rng.normal(0.0, self.jitter_bpm, len(rate))
        changed = np.where(inside, cadence + noise, rate)
        off = np.where(inside, changed - rate, np.nan)
        size = float(np.nanmean(off)) if inside.any() else 0.0
        seconds = float(inside.sum())
        entry = Entry(
            "cadence_lock",
            HEART_RATE,
            self.start_s,
            self.end_s,
            size,
            "bpm",
            {"seconds": seconds},
        )
        return trace.with_channel(HEART_RATE, changed), (entry,)


@dataclass(frozen=True)
class Spikes:
    """Some short excursions, at instants of their own or drawn in the calm of the workout."""

    count: int
    size_bpm: float = 30.0
    length_s: int = 4
    from_s: float = 300.0

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        changed = trace.channels[HEART_RATE].copy()
        span = (self.from_s, workout.duration_s - 60.0)
        entries = []
        for start in draw_starts(self.count, float(self.length_s), span, rng):
            changed[trace.between(start, start + self.length_s)] += self.size_bpm
            entries.append(
                Entry("spike", HEART_RATE, start, start + self.length_s, self.size_bpm, "bpm")
            )
        return trace.with_channel(HEART_RATE, changed), tuple(entries)


@dataclass(frozen=True)
class Dropouts:
    """Some stretches without a value."""

    count: int
    length_s: int
    from_s: float = 300.0

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        changed = trace.channels[HEART_RATE].copy()
        span = (self.from_s, workout.duration_s - 60.0)
        entries = []
        for start in draw_starts(self.count, float(self.length_s), span, rng):
            end = start + self.length_s
            changed[trace.between(start, end)] = np.nan
            entries.append(Entry("dropout", HEART_RATE, start, end, self.length_s, "s"))
        return trace.with_channel(HEART_RATE, changed), tuple(entries)


@dataclass(frozen=True)
class FrozenValue:
    """Between two instants the sensor repeats its last value."""

    start_s: float
    end_s: float

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del workout, rng
        rate = trace.channels[HEART_RATE]
        held = round(float(np.interp(self.start_s, trace.time_s, rate)))
        inside = trace.between(self.start_s, self.end_s)
        moved = float(np.ptp(rate[inside])) if inside.any() else 0.0
        entry = Entry(
            "frozen",
            HEART_RATE,
            self.start_s,
            self.end_s,
            self.end_s - self.start_s,
            "s",
            {"truth_moved_bpm": moved},
        )
        return trace.with_channel(HEART_RATE, np.where(inside, float(held), rate)), (entry,)


@dataclass(frozen=True)
class PushOffGaps:
    """After a share of the push-offs from the wall, water gets under the sensor for a while."""

    share: float
    length_s: int = 9
    after_s: float = 2.0
    spread_s: int = 0

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        changed = trace.channels[HEART_RATE].copy()
        entries = []
        for length in workout.pool_lengths:
            if rng.random() >= self.share:
                continue
            start = length.start_s + self.after_s
            lasts = self.length_s
            if self.spread_s:
                lasts += int(rng.integers(-self.spread_s, self.spread_s + 1))
            changed[trace.between(start, start + lasts)] = np.nan
            entries.append(
                Entry("push_off_gap", HEART_RATE, start, start + lasts, float(lasts), "s")
            )
        return trace.with_channel(HEART_RATE, changed), tuple(entries)


@dataclass(frozen=True)
class DryStart:
    """Until the skin is wet, a strap loses about every third value and reads others high."""

    until_s: float
    high_bpm: float = 14.0

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del workout
        rate = trace.channels[HEART_RATE].copy()
        early = trace.time_s < self.until_s
        fate = np.repeat(rng.random(len(rate) // 5 + 1), 5)[: len(rate)]
        rate[early & (fate < 0.5)] += self.high_bpm
        rate[early & (fate < 0.3)] = np.nan
        entry = Entry(
            "dry_start",
            HEART_RATE,
            0.0,
            self.until_s,
            self.until_s,
            "s",
            {"high_bpm": self.high_bpm},
        )
        return trace.with_channel(HEART_RATE, rate), (entry,)


@dataclass(frozen=True)
class BeatArtefacts:
    """Single beats missed by a strap (even numbers) or counted twice (odd numbers)."""

    count: int
    from_s: float = 120.0

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        beats = trace.beats_s.tolist()
        entries = []
        starts = draw_starts(self.count, 3.0, (self.from_s, workout.duration_s - 30.0), rng)
        for number, start in enumerate(starts):
            index = int(np.searchsorted(beats, start))
            if not 0 < index < len(beats) - 1:
                continue
            before, at, after = beats[index - 1 : index + 2]
            if number % 2 == 0:
                del beats[index]
                kind = "missed_beat"
            else:
                beats.insert(index + 1, at + 0.4 * (after - at))
                kind = "extra_beat"
            entries.append(Entry(kind, "beats", before, after, 1.0, "beats"))
        return replace(trace, beats_s=np.array(beats)), tuple(entries)
