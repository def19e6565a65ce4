"""Devices: what they are, what they do to the truth, and what they then hold."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tests.simulate.manifest import Entry
from tests.simulate.script import PoolLength, Workout, seed_stream
from tests.simulate.trace import Effect, Trace

Floats = NDArray[np.float64]

ALL_CHANNELS = (
    "heart_rate_bpm",
    "position",
    "altitude_m",
    "speed_mps",
    "distance_m",
    "cadence_per_min",
    "power_w",
    "temperature_c",
)
AUTO_LAP_M = 1000.0


@dataclass(frozen=True)
class Clock:
    """How far the device's clock is ahead [s], how it drifts, and whole hours of wrong zone."""

    ahead_s: float = 0.0
    drift_ppm: float = 0.0
    zone_s: float = 0.0

    def read(self, true_s: Floats) -> Floats:
        """Return what the clock shows, in seconds after the true start."""
        return true_s * (1.0 + self.drift_ppm * 1e-6) + self.ahead_s + self.zone_s

    def tell(self, shown_s: Floats) -> Floats:
        """Return the true seconds at which the clock shows a value."""
        return (shown_s - self.ahead_s - self.zone_s) / (1.0 + self.drift_ppm * 1e-6)


@dataclass(frozen=True)
class Device:
    """One unit: its name plate, the channels it has, its effects in order, its clock."""

    device_id: str
    name: str
    serial: int = 0
    firmware: str = "1.0"
    site: str = "wrist"
    channels: tuple[str, ...] = ALL_CHANNELS
    beats: bool = False
    barometer: bool = False
    effects: tuple[Effect, ...] = ()
    clock: Clock = Clock()

    def with_effects(self, *effects: Effect) -> "Device":
        """Return the device with more effects behind those it has."""
        return replace(self, effects=(*self.effects, *effects))


@dataclass(frozen=True)
class Lap:
    """A lap as the device closed it, by the true second, with its own distance."""

    start_s: float
    end_s: float
    distance_m: float


@dataclass(frozen=True)
class Recorded:
    """What a device holds at the end. Clock values are Unix seconds as the device believes them."""

    device: Device
    workout: Workout
    clock_unix_s: Floats
    true_s: Floats
    channels: Mapping[str, Floats]
    latitude_deg: Floats
    longitude_deg: Floats
    beats_unix_s: Floats
    lengths: tuple[PoolLength, ...]
    laps: tuple[Lap, ...]
    pauses: tuple[tuple[float, float], ...]
    battery: tuple[tuple[float, int, int], ...]
    totals: Mapping[str, float]
    entries: tuple[Entry, ...]

    def show(self, true_s: float) -> float:
        """Return the Unix second that the device's clock shows at a true second of the workout."""
        begun = self.workout.start_utc.timestamp()
        return float(begun + self.device.clock.read(np.array([true_s]))[0])

    def has(self, channel: str) -> bool:
        """Say whether a channel holds any value."""
        if channel == "position":
            return bool(np.isfinite(self.latitude_deg).any())
        return channel in self.channels and bool(np.isfinite(self.channels[channel]).any())


def record(device: Device, workout: Workout, seed: int) -> Recorded:
    """Let a device record a workout: truth at its own whole seconds, then its effects in order."""
    clock = device.clock
    shown = np.arange(
        np.ceil(clock.read(np.array([0.0]))[0]),
        np.floor(clock.read(np.array([workout.duration_s]))[0]) + 0.5,
    )
    true_s = np.round(clock.tell(shown), 6)
    truth = workout.sample(true_s)
    trace = Trace(
        time_s=true_s,
        channels=truth,
        beats_s=workout.beats_s,
        kept=np.ones(len(true_s), dtype=bool),
        lengths=workout.pool_lengths,
    )
    entries: list[Entry] = []
    for number, effect in enumerate(device.effects):
        rng = seed_stream(seed, workout.name, device.device_id, f"{number}", type(effect).__name__)
        trace, added = effect.apply(trace, workout, rng)
        entries.extend(added)
    for kind, size, unit in (
        ("clock_offset", clock.ahead_s, "s"),
        ("clock_drift", clock.drift_ppm, "ppm"),
        ("clock_zone", clock.zone_s, "s"),
    ):
        if size:
            entries.append(Entry(kind, "clock", 0.0, workout.duration_s, size, unit))
    return _close(device, workout, trace, tuple(entries))


def _close(device: Device, workout: Workout, trace: Trace, entries: tuple[Entry, ...]) -> Recorded:
    kept = trace.kept
    true_s = trace.time_s[kept]
    names = set(device.channels)
    if "position" in names:
        names |= {"east_m", "north_m"}
    if "altitude_m" in names:
        names.add("pressure_pa")
    wanted = {name: values[kept] for name, values in trace.channels.items() if name in names}
    if "position" in device.channels and workout.place.path is not None:
        latitude, longitude = workout.place.to_degrees(
            trace.channels["east_m"][kept], trace.channels["north_m"][kept]
        )
        latitude = np.where(np.isfinite(latitude), latitude, np.nan)
        longitude = np.where(np.isfinite(latitude), longitude, np.nan)
    else:
        latitude = longitude = np.full(len(true_s), np.nan)
    if not workout.distance_m[-1]:
        # Where nobody moves from the spot, devices write neither distance nor speed.
        wanted = {name: wanted[name] for name in wanted if name not in {"distance_m", "speed_mps"}}
    credited = trace.totals.get("credited_m", 0.0)
    if "distance_m" in wanted and len(true_s):
        wanted["distance_m"] = wanted["distance_m"] - wanted["distance_m"][0] + credited
    begun = workout.start_utc.timestamp()
    inside = trace.beats_s[(trace.beats_s >= true_s[0]) & (trace.beats_s <= true_s[-1])]
    return Recorded(
        device=device,
        workout=workout,
        clock_unix_s=np.round(begun + device.clock.read(true_s)),
        true_s=true_s,
        channels=wanted,
        latitude_deg=latitude,
        longitude_deg=longitude,
        beats_unix_s=begun + device.clock.read(inside) if device.beats else np.empty(0),
        lengths=trace.lengths if "distance_m" in wanted else (),
        laps=_cut_laps(true_s, wanted.get("distance_m"), whole=bool(workout.pool_lengths)),
        pauses=trace.pauses,
        battery=tuple(at for at in trace.battery if true_s[0] <= at[0] <= true_s[-1]),
        totals=trace.totals,
        entries=entries,
    )


def _cut_laps(true_s: Floats, distance_m: Floats | None, *, whole: bool) -> tuple[Lap, ...]:
    total = 0.0 if distance_m is None else float(distance_m[-1])
    if distance_m is None or whole:
        return (Lap(float(true_s[0]), float(true_s[-1]), total),)
    marks = np.arange(AUTO_LAP_M, total, AUTO_LAP_M)
    borders = [
        float(true_s[0]),
        *(float(true_s[np.searchsorted(distance_m, mark)]) for mark in marks),
        float(true_s[-1]),
    ]
    ways = np.interp(borders, true_s, distance_m)
    return tuple(
        Lap(start, end, float(way))
        for start, end, way in zip(borders, borders[1:], np.diff(ways), strict=False)
        if end > start
    )
