"""Invented workouts with known truth, and recordings of devices with known errors.

A second hand beside `tests/simulate`: nothing of it is used. An athlete walks streets with corners,
stops at lights, runs efforts; the heart answers by two delays in a row; devices add noise with a
memory. `wear` returns what one device recorded, `put_in` what was done to it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from config.devices import Device
from tasks.core.recording import Header, Recording
from tasks.normalise import normalise_recording
from tasks.tables.arrow import make_empty, make_table
from tasks.tables.tables import BATTERY, BEATS, EVENTS, LAPS, LENGTHS, SAMPLES

Floats = NDArray[np.float64]

START_S: Final = 1_780_000_000
#: One degree of latitude near 46 N, and of longitude [m]; WGS 84, from memory, near enough here.
_NORTH_M, _EAST_M = 111_150.0, 77_470.0
_LATITUDE, _LONGITUDE = 46.0, 9.0
KINDS: Final = ("steady", "efforts", "ride", "mixed")


@dataclass(frozen=True)
class Truth:
    """What really happened, one value per second; `line` is the street's line (n, 2) [m]."""

    kind: str
    sport: str
    channels: dict[str, Floats]
    line: Floats
    corners_s: tuple[int, ...]
    stops: tuple[tuple[int, int], ...]

    @property
    def n(self) -> int:
        return self.channels["heart_rate_bpm"].size


@dataclass(frozen=True)
class PutIn:
    """An error that was put in: its kind, seconds from the start, size in the finding's unit."""

    kind: str
    start: int
    end: int
    size: float


@dataclass
class Worn:
    """A device's channels while errors are put into them; `kept` marks the samples written."""

    device: Device
    channels: dict[str, Floats]
    kept: NDArray[np.bool_]
    errors: list[PutIn] = field(default_factory=list)


def draw_memory(rng: np.random.Generator, n: int, *, sd: float, memory_s: float) -> Floats:
    """Return a first-order autoregressive series of this SD."""
    kept = float(np.exp(-1 / memory_s)) if memory_s > 0 else 0.0
    start = rng.normal(0, sd)
    steps = rng.normal(0, sd * np.sqrt(1 - kept**2), n)
    return np.asarray(lfilter([1], [1, -kept], steps, zi=[start * kept])[0])


def imagine(kind: str, seed: int) -> Truth:
    """Return a workout of 40 to 60 minutes."""
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    n = int(rng.integers(2400, 3600))
    effort = _plan_effort(kind, rng, n)
    stops = _plan_stops(kind, rng, n)
    standing = np.zeros(n, dtype=bool)
    for first, last in stops:
        standing[first:last] = True
        effort[first:last] *= 0.4
    usual = {"steady": 2.9, "efforts": 3.0, "ride": 7.5, "mixed": 2.0}[kind]
    speed = usual * (0.6 + 0.8 * effort) + draw_memory(rng, n, sd=0.06 * usual, memory_s=12)
    speed = np.where(standing, 0.0, np.clip(speed, 0.4, None))
    # Nobody is fast at once: a metre per second more in each second after a stop.
    for _, last in stops:
        speed[last : last + 15] = np.minimum(speed[last : last + 15], np.arange(0.5, 15))
    heart = _beat(effort, rng)
    distance = np.cumsum(speed)
    line, at_m = _lay_streets(rng, float(distance[-1]) + 50.0)
    # On every second ride and mixed workout the athlete leaves the corners of the streets by far.
    is_wide = kind in {"ride", "mixed"} and seed % 2 == 0
    round_m = rng.uniform(25, 45) if is_wide else 4.0
    corners = [int(np.searchsorted(distance, place)) for place in at_m]
    east, north, distance = _follow(line, distance, round_m)
    speed = np.diff(distance, prepend=0.0)
    cadence = 82 + 5 * (effort - 0.5) + draw_memory(rng, n, sd=1.5, memory_s=15)
    cadence = np.where(standing, 0.0, cadence)
    height = 300 + 25 * np.sin(distance / 900 + rng.uniform(0, 6)) + 8 * np.sin(distance / 210)
    return Truth(
        kind,
        "cycling" if kind == "ride" else "running",
        {
            "heart_rate_bpm": heart,
            "speed_mps": speed,
            "distance_m": distance,
            "cadence_rpm": cadence,
            "altitude_m": height,
            "east_m": east,
            "north_m": north,
        },
        line,
        tuple(c for c in corners if 60 < c < n - 60),
        stops,
    )


def _plan_effort(kind: str, rng: np.random.Generator, n: int) -> Floats:
    """Return the effort 0 to 1, second by second."""
    low, high = {
        "steady": (0.5, 0.7),
        "efforts": (0.25, 0.95),
        "ride": (0.3, 0.9),
        "mixed": (0.3, 0.8),
    }[kind]
    values: list[float] = []
    is_up = False
    while len(values) < n:
        longest = 240 if kind == "efforts" else 420
        level = (high if is_up else low) + rng.normal(0, 0.04)
        values += [level] * int(rng.integers(100, longest))
        is_up = not is_up
    return np.clip(np.array(values[:n]), 0.1, 1.0)


def _plan_stops(kind: str, rng: np.random.Generator, n: int) -> tuple[tuple[int, int], ...]:
    count = {"steady": 1, "efforts": 0, "ride": 4, "mixed": 3}[kind]
    starts = sorted(rng.choice(np.arange(300, n - 300, 180), count, replace=False).tolist())
    return tuple((int(s), int(s + rng.integers(25, 100))) for s in starts)


def _beat(effort: Floats, rng: np.random.Generator) -> Floats:
    """Return the heart rate of an effort [bpm]: two delays in a row, a slow drift, fluctuation."""
    demand = 85 + 95 * effort
    state = demand
    for seconds in (12.0, 22.0):
        kept = float(np.exp(-1 / seconds))
        state = lfilter([1 - kept], [1, -kept], state, zi=[kept * (70 if seconds < 20 else 75)])[0]
    drift = np.linspace(0, rng.uniform(2, 9), effort.size)
    return np.asarray(state + drift + draw_memory(rng, effort.size, sd=1.2, memory_s=25))


def _lay_streets(rng: np.random.Generator, length_m: float) -> tuple[Floats, list[float]]:
    """Return the corners of streets, and how far along the line each lies [m]."""
    points, at_m = [np.zeros(2)], []
    heading, gone = float(rng.uniform(0, 6.3)), 0.0
    turn = 1.0
    while gone < length_m:
        leg = float(rng.uniform(90, 260))
        points.append(points[-1] + leg * np.array([np.sin(heading), np.cos(heading)]))
        gone += leg
        at_m.append(gone)
        # Turns to one hand follow each other so that streets do not run back into themselves.
        turn = -turn if rng.random() < 0.6 else turn
        heading += turn * float(np.radians(rng.choice([60.0, 75.0, 90.0])))
    return np.array(points), at_m


def _follow(line: Floats, distance_m: Floats, round_m: float) -> tuple[Floats, Floats, Floats]:
    """Return east, north and the way gone of who rounds the corners of a line off [m]."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    places = np.arange(0.0, along[-1], 1.0)
    half = round(round_m)
    window = np.hanning(2 * half + 3)[1:-1]
    east, north = (
        np.convolve(
            np.pad(np.interp(places, along, line[:, k]), half, mode="edge"),
            window / window.sum(),
            mode="valid",
        )
        for k in (0, 1)
    )
    gone = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(east), np.diff(north)))])
    return (
        np.interp(distance_m, places, east),
        np.interp(distance_m, places, north),
        np.interp(distance_m, places, gone),
    )


# --- devices ----------------------------------------------------------------------------------
def make_device(name: str, role: str = "test", **facts: Any) -> Device:  # noqa: ANN401 - fields
    return Device(id=name, name=name, role=role, **facts)  # type: ignore[arg-type] # known words


def wear(
    truth: Truth,
    device: Device,
    *,
    seed: int,
    hr_sd: float = 1.0,
    hr_memory_s: float = 5.0,
    late_s: float = 3.0,
    position_sd_m: float = 1.5,
    channels: tuple[str, ...] = (),
) -> Worn:
    """Return what a device without gross errors records; `channels` limits it to some."""
    rng = np.random.default_rng([seed, KINDS.index(truth.kind), sum(map(ord, device.id))])
    n, true = truth.n, truth.channels
    seconds = np.arange(n, dtype=np.float64)

    def draw(sd: float, memory_s: float) -> Floats:
        return draw_memory(rng, n, sd=sd, memory_s=memory_s)

    heart = np.interp(seconds - late_s, seconds, true["heart_rate_bpm"])
    scale = 1 + rng.normal(0, 0.003)
    # A counter of its own wanders: it adds up speeds that are a little off.
    own = np.random.default_rng([seed, sum(map(ord, device.id))])
    wander = np.cumsum(draw_memory(own, n, sd=0.05, memory_s=3) * (true["speed_mps"] > 0))
    made = {
        "heart_rate_bpm": np.round(heart + draw(hr_sd, hr_memory_s)),
        "speed_mps": np.round(np.clip(true["speed_mps"] + draw(0.08, 3), 0, None), 3),
        "distance_m": np.round(np.maximum.accumulate(true["distance_m"] * scale + wander), 2),
        "cadence_rpm": np.round(np.where(true["cadence_rpm"] > 0, true["cadence_rpm"], 0)),
        "altitude_m": np.round((true["altitude_m"] + rng.normal(0, 3) + draw(0.3, 2)) * 5) / 5,
        "east_m": true["east_m"] + draw(position_sd_m, 80) + draw(0.1, 0),
        "north_m": true["north_m"] + draw(position_sd_m, 80) + draw(0.1, 0),
    }
    kept = {name: values for name, values in made.items() if not channels or name in channels}
    return Worn(device, kept, np.ones(n, dtype=bool))


def write(worn: Worn, *, sport: str, places: bool = True) -> Recording:
    """Return the recording of a device as a reader would, normalised."""
    at = np.flatnonzero(worn.kept)
    stamps = (START_S + at) * 1_000_000
    columns = {
        name: values[at]
        for name, values in worn.channels.items()
        if name not in {"east_m", "north_m"}
    }
    has_places = places and "east_m" in worn.channels
    if has_places:
        columns["latitude_deg"] = np.round(_LATITUDE + worn.channels["north_m"][at] / _NORTH_M, 7)
        columns["longitude_deg"] = np.round(_LONGITUDE + worn.channels["east_m"][at] / _EAST_M, 7)
    header = Header(
        format="fit",
        reader="invented",
        serial=worn.device.id,
        sport=sport,
        position_kind="gnss" if has_places else "none",
        altitude_kind="barometric",
    )
    return normalise_recording(
        Recording(
            header=header,
            start_utc=datetime.fromtimestamp(int(stamps[0]) / 1e6, tz=UTC),
            end_utc=datetime.fromtimestamp(int(stamps[-1]) / 1e6, tz=UTC),
            samples=make_table(
                SAMPLES,
                {"time_utc": stamps.astype(np.int64), "piece": np.zeros(at.size), **columns},
            ),
            **{table.name: make_empty(table) for table in (LAPS, LENGTHS, BEATS, BATTERY, EVENTS)},
        )
    )


def place_on_earth(line_m: Floats) -> Floats:
    """Return a line (n, 2) of metres east and north as latitude and longitude [deg]."""
    return np.column_stack(
        [_LATITUDE + line_m[:, 1] / _NORTH_M, _LONGITUDE + line_m[:, 0] / _EAST_M]
    )
