"""Invented walks with known truth, and what several devices record of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tasks.core.members import Candidate
from tasks.core.recording import Header, Recording
from tasks.tables.arrow import make_empty, make_table
from tasks.tables.tables import BATTERY, BEATS, EVENTS, LAPS, LENGTHS, SAMPLES

Floats = NDArray[np.float64]

START_S = 1_750_000_000
#: Metres per degree of latitude, near enough for invented tracks.
METRES_PER_DEGREE = 111_200.0


@dataclass(frozen=True)
class Walk:
    """True values of one activity, one per second."""

    channels: dict[str, Floats]

    @property
    def n_seconds(self) -> int:
        return len(next(iter(self.channels.values())))


def wander(
    n: int, rng: np.random.Generator, *, memory_s: float, sd: float, mean: float = 0.0
) -> Floats:
    """Return a first-order autoregressive series."""
    kept = np.exp(-1 / memory_s)
    steps = rng.normal(0.0, sd * np.sqrt(1 - kept**2), n)
    values = np.empty(n)
    values[0] = rng.normal(0.0, sd)
    for index in range(1, n):
        values[index] = kept * values[index - 1] + steps[index]
    return mean + values


def smooth(values: Floats, width: int) -> Floats:
    """Return the centred moving average (odd width), ends by repetition."""
    padded = np.pad(values, width // 2, mode="edge")
    return np.convolve(padded, np.ones(width) / width, mode="valid")


def make_walk(
    n: int = 1800, *, seed: int = 0, latitude: float = 47.0, longitude: float = 8.0
) -> Walk:
    rng = np.random.default_rng(seed)
    speed = np.clip(wander(n, rng, memory_s=40, sd=0.8, mean=3.0), 0.3, 8.0)
    heading = np.cumsum(wander(n, rng, memory_s=60, sd=0.02))
    north, east = np.cumsum(speed * np.cos(heading)), np.cumsum(speed * np.sin(heading))
    return Walk(
        {
            "latitude_deg": latitude + north / METRES_PER_DEGREE,
            "longitude_deg": longitude + east / METRES_PER_DEGREE / np.cos(np.radians(latitude)),
            "speed_mps": speed,
            "distance_m": np.cumsum(speed),
            "altitude_m": 400.0 + smooth(wander(n, rng, memory_s=200, sd=15.0), 31),
            "heart_rate_bpm": smooth(wander(n, rng, memory_s=60, sd=10.0, mean=140.0), 15),
            "cadence_rpm": wander(n, rng, memory_s=10, sd=4.0, mean=85.0),
            "power_w": wander(n, rng, memory_s=5, sd=40.0, mean=200.0),
        }
    )


#: Noise of a device's own sensors, by channel.
NOISE = {
    "latitude_deg": 2.0 / METRES_PER_DEGREE,
    "longitude_deg": 3.0 / METRES_PER_DEGREE,
    "speed_mps": 0.1,
    "distance_m": 0.2,
    "altitude_m": 0.5,
    "heart_rate_bpm": 1.0,
    "cadence_rpm": 1.0,
    "power_w": 8.0,
}


def record(
    walk: Walk,
    channels: str = "latitude_deg longitude_deg speed_mps altitude_m heart_rate_bpm",
    *,
    start_s: float = START_S,
    clock_error_s: float = 0.0,
    first: int = 0,
    last: int | None = None,
    seed: int | None = 1,
    every: int = 1,
    tables: dict[str, Any] | None = None,
    **header: Any,  # noqa: ANN401 - facts of the header
) -> Recording:
    """Record seconds `first` to before `last` of a walk.

    `clock_error_s` is by how much the device's clock is fast. `seed` None records without noise.
    """
    names = channels.split()
    seconds = np.arange(first, walk.n_seconds if last is None else last, every)
    rng = np.random.default_rng(seed)
    columns: dict[str, Any] = {}
    for name in names:
        noise = 0.0 if seed is None else rng.normal(0.0, NOISE[name], walk.n_seconds)
        columns[name] = (walk.channels[name] + noise)[seconds]
    stamps = np.round((start_s + clock_error_s + seconds) * 1e6).astype(np.int64)
    kind = "gnss" if "latitude_deg" in names else "none"
    facts = {"format": "fit", "reader": "invented", "position_kind": kind, **header}
    given = tables or {}
    return Recording(
        header=Header(**facts),
        start_utc=datetime.fromtimestamp(stamps[0] / 1e6, tz=UTC),
        end_utc=datetime.fromtimestamp(stamps[-1] / 1e6, tz=UTC),
        samples=make_table(
            SAMPLES, {"time_utc": stamps, "piece": np.zeros(seconds.size), **columns}
        ),
        **{
            table.name: make_table(table, given[table.name])
            if table.name in given
            else make_empty(table)
            for table in (LAPS, LENGTHS, BEATS, BATTERY, EVENTS)
        },
    )


def describe(
    recording_id: str, recording: Recording, device_id: str, *, file_name: str = ""
) -> Candidate:
    header = recording.header
    return Candidate(
        recording_id=recording_id,
        device_id=device_id,
        start_utc=recording.start_utc,
        end_utc=recording.end_utc,
        sport=header.sport,
        time_basis=header.time_basis,
        position_kind=header.position_kind,
        file_name=file_name,
        n_samples=recording.samples.num_rows,
        is_described=not device_id.startswith("unknown-"),
    )


def with_header(recording: Recording, **facts: Any) -> Recording:  # noqa: ANN401 - facts
    return replace(recording, header=replace(recording.header, **facts))
