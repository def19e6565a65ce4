"""What devices do to distance, pace, altitude, lengths, battery, and to their timer."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tests.simulate.athlete import draw_memory_noise
from tests.simulate.manifest import Entry
from tests.simulate.script import PoolLength, Workout
from tests.simulate.trace import Changed, Trace

Floats = NDArray[np.float64]
DISTANCE = "distance_m"
SPEED = "speed_mps"
ALTITUDE = "altitude_m"
PRESSURE = "pressure_pa"


@dataclass(frozen=True)
class ScaledDistance:
    """The device's own distance is a constant share of the truth."""

    factor: float

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del rng
        changed = trace.with_channel(DISTANCE, trace.channels[DISTANCE] * self.factor)
        size = (self.factor - 1.0) * 100.0
        return changed, (Entry("distance_scale", DISTANCE, 0.0, workout.duration_s, size, "pct"),)


@dataclass(frozen=True)
class TreadmillEstimate:
    """Without satellites the stride is guessed: too long when slow, too short when fast."""

    neutral_mps: float = 3.2
    error_pct_per_mps: float = -4.0
    bias_pct: float = 0.0

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del rng
        speed = trace.channels[SPEED]
        share = 1.0 + (self.bias_pct + self.error_pct_per_mps * (speed - self.neutral_mps)) / 100.0
        guessed = speed * np.where(speed > 0.3, share, 1.0)
        steps = (guessed[1:] + guessed[:-1]) / 2.0 * np.diff(trace.time_s)
        distance = np.concatenate([[0.0], np.cumsum(steps)])
        truth = float(trace.channels[DISTANCE][-1])
        size = (distance[-1] / truth - 1.0) * 100.0 if truth else 0.0
        changed = trace.with_channel(SPEED, guessed).with_channel(DISTANCE, distance)
        entry = Entry(
            "treadmill_estimate",
            DISTANCE,
            0.0,
            workout.duration_s,
            float(size),
            "pct",
            {"error_pct_per_mps": self.error_pct_per_mps, "neutral_mps": self.neutral_mps},
        )
        return changed, (entry,)


@dataclass(frozen=True)
class SpeedDelay:
    """The displayed speed is that of some seconds ago."""

    delay_s: float

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del rng
        speed = trace.channels[SPEED]
        changed = np.interp(trace.time_s - self.delay_s, trace.time_s, speed)
        entry = Entry("speed_delay", SPEED, 0.0, workout.duration_s, self.delay_s, "s")
        return trace.with_channel(SPEED, changed), (entry,)


@dataclass(frozen=True)
class SpeedBias:
    """The speed is off by a constant while moving."""

    bias_mps: float

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del rng
        speed = trace.channels[SPEED]
        changed = np.where(speed > 0.3, np.maximum(speed + self.bias_mps, 0.0), speed)
        entry = Entry("speed_bias", SPEED, 0.0, workout.duration_s, self.bias_mps, "m/s")
        return trace.with_channel(SPEED, changed), (entry,)


@dataclass(frozen=True)
class Barometer:
    """Height from pressure: a constant, a drift, a change of weather on the way, and noise."""

    offset_m: float = 0.0
    drift_m_per_h: float = 0.0
    noise_m: float = 0.0
    noise_memory_s: float = 2.0
    weather_m: float = 0.0
    writes_pressure: bool = False

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        hours = trace.time_s / 3600.0
        share = trace.time_s / workout.duration_s
        weather = self.weather_m * (1.0 - np.cos(np.pi * share)) / 2.0
        noise = draw_memory_noise(len(hours), self.noise_memory_s, self.noise_m, rng)
        felt = trace.channels[ALTITUDE] + self.drift_m_per_h * hours + weather + noise
        end = workout.duration_s
        entries = (
            Entry("altitude_offset", ALTITUDE, 0.0, end, self.offset_m, "m"),
            Entry("altitude_drift", ALTITUDE, 0.0, end, self.drift_m_per_h, "m/h"),
            Entry("altitude_weather", ALTITUDE, 0.0, end, self.weather_m, "m"),
            Entry("altitude_noise", ALTITUDE, 0.0, end, self.noise_m, "m"),
        )
        kept = tuple(entry for entry in entries if entry.size)
        changed = trace.with_channel(ALTITUDE, felt + self.offset_m)
        if self.writes_pressure:
            changed = changed.with_channel(PRESSURE, find_pressure_pa(felt))
        return changed, kept


def find_pressure_pa(altitude_m: Floats) -> Floats:
    """Return the pressure of the standard atmosphere at a height (ISO 2533, below 11 km)."""
    return np.asarray(101325.0 * (1.0 - 0.0065 * altitude_m / 288.15) ** 5.25588)


@dataclass(frozen=True)
class OwnAscent:
    """The device's own totals of ascent and descent are a share of the true ones."""

    factor: float

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del rng
        up = workout.true_ascent_m() * self.factor
        down = workout.true_descent_m() * self.factor
        size = (self.factor - 1.0) * 100.0
        entry = Entry("ascent_scale", ALTITUDE, 0.0, workout.duration_s, size, "pct")
        return trace.with_total("ascent_m", up).with_total("descent_m", down), (entry,)


@dataclass(frozen=True)
class PoolCounter:
    """Some lengths are missed (joined to the one before), some are split in two.

    Numbers count from 1, as swimmers do.
    """

    missed: tuple[int, ...] = ()
    split: tuple[int, ...] = ()

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del rng
        counted: list[PoolLength] = []
        entries = []
        for number, length in enumerate(trace.lengths, start=1):
            if number in self.missed and counted:
                before = counted[-1]
                counted[-1] = replace(
                    before, end_s=length.end_s, strokes=before.strokes + length.strokes
                )
                entries.append(
                    Entry("missed_length", "lengths", length.start_s, length.end_s, -1.0, "lengths")
                )
            elif number in self.split:
                middle = float(round((length.start_s + length.end_s) / 2.0))
                half = length.strokes // 2
                counted.append(replace(length, end_s=middle, strokes=half))
                counted.append(replace(length, start_s=middle, strokes=length.strokes - half))
                entries.append(
                    Entry("split_length", "lengths", length.start_s, length.end_s, 1.0, "lengths")
                )
            else:
                counted.append(length)
        distance = np.zeros(len(trace.time_s))
        for length in counted:
            took = length.end_s - length.start_s
            distance += workout.pool_m * np.clip((trace.time_s - length.start_s) / took, 0.0, 1.0)
        changed = replace(trace, lengths=tuple(counted)).with_channel(DISTANCE, distance)
        return changed, tuple(entries)


@dataclass(frozen=True)
class StrokeMisread:
    """Some lengths are given another stroke (numbers count from 1)."""

    lengths: tuple[int, ...]
    stroke: str

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del workout, rng
        changed = list(trace.lengths)
        entries = []
        for number in self.lengths:
            length = changed[number - 1]
            changed[number - 1] = replace(length, stroke=self.stroke)
            entries.append(
                Entry(
                    "stroke_misread",
                    "lengths",
                    length.start_s,
                    length.end_s,
                    1.0,
                    "lengths",
                    {"true": length.stroke, "read": self.stroke},
                )
            )
        return replace(trace, lengths=tuple(changed)), tuple(entries)


@dataclass(frozen=True)
class BatteryDrain:
    """The charge falls at a steady rate and is written in whole percent every so often."""

    rate_pct_per_h: float
    start_pct: float = 96.0
    every_s: int = 60
    setting: str = ""

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del rng
        instants = np.arange(0.0, workout.duration_s + 0.5, self.every_s)
        level = np.clip(self.start_pct - self.rate_pct_per_h * instants / 3600.0, 0.0, 100.0)
        readings = tuple(
            (float(at), int(np.ceil(charge)), int(3500 + 6.5 * charge))
            for at, charge in zip(instants, level, strict=True)
        )
        entry = Entry(
            "battery_drain",
            "battery",
            0.0,
            workout.duration_s,
            self.rate_pct_per_h,
            "pct/h",
            {"start_pct": self.start_pct, "setting": self.setting},
        )
        return replace(trace, battery=readings), (entry,)


@dataclass(frozen=True)
class AutoPause:
    """The device stops its timer when the athlete stands for a while, and writes nothing then."""

    below_mps: float = 0.3
    after_s: float = 3.0

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del rng
        speed = np.interp(trace.time_s, workout.time_s, workout.speed_mps)
        still = speed < self.below_mps
        edges = np.flatnonzero(np.diff(np.concatenate([[0], still.astype(int), [0]])))
        kept = trace.kept.copy()
        pauses, entries = [], []
        for first, last in zip(edges[::2], edges[1::2], strict=True):
            start = float(trace.time_s[first]) + self.after_s
            end = float(trace.time_s[min(last, len(speed) - 1)])
            if end - start < self.after_s or first == 0 or last == len(speed):
                continue
            kept &= ~((trace.time_s > start) & (trace.time_s < end))
            pauses.append((start, end))
            entries.append(Entry("auto_pause", "timer", start, end, end - start, "s"))
        return replace(trace, kept=kept, pauses=trace.pauses + tuple(pauses)), tuple(entries)


@dataclass(frozen=True)
class LateStart:
    """The recording is started some seconds after the athlete; nothing before is written."""

    delay_s: float
    kind: str = "late_start"

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del workout, rng
        kept = trace.kept & (trace.time_s >= self.delay_s)
        entry = Entry(self.kind, "timer", 0.0, self.delay_s, self.delay_s, "s")
        return replace(trace, kept=kept), (entry,)


@dataclass(frozen=True)
class AutomaticDetection:
    """The device finds out by itself after some seconds, and credits a share of the way so far."""

    delay_s: float
    credit: float = 0.6

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del rng
        kept = trace.kept & (trace.time_s >= self.delay_s)
        missed = float(np.interp(self.delay_s, workout.time_s, workout.distance_m))
        lost = missed * (1.0 - self.credit)
        distance = np.maximum(trace.channels[DISTANCE] - lost, 0.0)
        changed = replace(trace, kept=kept).with_channel(DISTANCE, distance)
        changed = changed.with_total("credited_m", missed * self.credit)
        entry = Entry(
            "automatic_detection",
            "timer",
            0.0,
            self.delay_s,
            self.delay_s,
            "s",
            {"credit": self.credit, "lost_m": lost},
        )
        return changed, (entry,)


@dataclass(frozen=True)
class BackdatedStart:
    """The device finds out by itself, and then writes even samples for some seconds before.

    They hold distance and speed only, for nothing else was measured then.
    """

    delay_s: float
    filled_s: float
    credited_m: float

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del rng
        begin_s = self.delay_s - self.filled_s
        before = trace.between(begin_s, self.delay_s)
        channels = {
            name: np.where(before, np.nan, values) for name, values in trace.channels.items()
        }
        passed = float(np.interp(self.delay_s, workout.time_s, workout.distance_m))
        channels[DISTANCE] = np.where(
            before,
            self.credited_m * (trace.time_s - begin_s) / self.filled_s,
            trace.channels[DISTANCE] - passed + self.credited_m,
        )
        channels[SPEED] = np.where(before, self.credited_m / self.filled_s, trace.channels[SPEED])
        changed = replace(trace, channels=channels, kept=trace.kept & (trace.time_s >= begin_s))
        entry = Entry(
            "backdated_start",
            "timer",
            begin_s,
            self.delay_s,
            self.filled_s,
            "s",
            {"credited_m": self.credited_m},
        )
        return changed, (entry,)


@dataclass(frozen=True)
class EarlyStop:
    """The recording is stopped some seconds before the athlete."""

    early_s: float

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del rng
        end = workout.duration_s - self.early_s
        entry = Entry("early_stop", "timer", end, workout.duration_s, self.early_s, "s")
        return replace(trace, kept=trace.kept & (trace.time_s <= end)), (entry,)


@dataclass(frozen=True)
class SmartSampling:
    """Samples are written every 1 to `longest_s` seconds, as the device sees fit."""

    longest_s: int = 9

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        steps = rng.integers(1, self.longest_s + 1, len(trace.time_s))
        chosen = np.concatenate([[0], np.cumsum(steps)])
        chosen = chosen[chosen < len(trace.time_s) - 1]
        marked = np.zeros(len(trace.time_s), dtype=bool)
        marked[chosen] = True
        marked[-1] = True
        size = float(np.median(np.diff(chosen))) if len(chosen) > 1 else 0.0
        entry = Entry("smart_sampling", "samples", 0.0, workout.duration_s, size, "s")
        return replace(trace, kept=trace.kept & marked), (entry,)
