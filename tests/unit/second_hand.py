"""Exports of a second hand: a known heart, a strap with beats whose display lags, two watches.

Nothing here comes from the simulator: the rates are a formula, the files are written byte by byte.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

import numpy as np

from config.home import Home
from config.settings import load_settings
from tasks.archive import lake
from tasks.ingest import exports
from tests.simulate.fit_bytes import FitBytes
from tests.unit.report_home import settle_all

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

N_SECONDS: Final = 1500
SECONDS: Final = np.arange(N_SECONDS, dtype=np.float64)
#: With beats; with a frozen stretch and no beats; without any strap.
BEATS_DAY, FROZEN_DAY, WATCHES_DAY = (
    datetime(2026, 3, day, 7, 0, tzinfo=UTC) for day in (3, 10, 17)
)
PAUSE: Final = (900, 960)
FROZEN: Final = (400, 700)
DISPLAY_S: Final = 10
WATCH_LATE_S: Final = 5
_FIT_EPOCH: Final = datetime(1989, 12, 31, tzinfo=UTC)
_RUNNING: Final = 1

DEVICES: Final = """
[[device]]
id = "strap"
name = "Strap"
role = "reference"
site = "chest"
heart_rate = "ecg"
reference_for = ["heart_rate"]
match = [{serial = 1001}]

[[device]]
id = "watch"
name = "Watch"
role = "test"
heart_rate = "optical"
match = [{serial = 1002}]

[[device]]
id = "older"
name = "Older watch"
role = "predecessor"
heart_rate = "optical"
match = [{serial = 1003}]

[[device]]
id = "third"
name = "Third watch"
role = "peer"
heart_rate = "optical"
match = [{serial = 1004}]
"""


@dataclass(frozen=True)
class Worn:
    """What one device recorded, a value per second; `pause` is a stop of its timer [s]."""

    serial: int
    heart_rate_bpm: Floats
    speed_mps: Floats | None = None
    altitude_m: Floats | None = None
    beats_s: Floats | None = None
    pause: tuple[int, int] | None = None


def know_heart(seconds: Floats) -> Floats:
    """Return the true heart rate [bpm]: five efforts of five minutes, up and down."""
    return 125.0 + 30.0 * np.sin(2 * np.pi * (seconds - 20.0) / 300.0) + seconds / 300.0


def know_speed(seconds: Floats) -> Floats:
    """Return the true speed [m/s], which changes every minute."""
    return 3.0 + 0.8 * np.sign(np.sin(2 * np.pi * seconds / 120.0 + 0.1))


def draw_beats(seed: int) -> Floats:
    """Return the instants of beats [s] of the known heart, each a few milliseconds off."""
    fine = np.arange(0, N_SECONDS + 0.01, 0.02)
    phase = np.concatenate([[0.0], np.cumsum(know_heart(fine)[1:] / 60.0 * 0.02)])
    beats = np.interp(np.arange(1, int(phase[-1])), phase, fine)
    return beats + np.random.default_rng(seed).normal(0, 0.003, beats.size)


def show_lagging(seconds: Floats) -> Floats:
    """Return what a strap displays: the mean of the last ten seconds, in whole bpm."""
    behind = [know_heart(seconds - second) for second in range(DISPLAY_S + 1)]
    return np.round(np.mean(behind, axis=0))


def read_wrist(seconds: Floats, *, seed: int, late_s: float = WATCH_LATE_S) -> Floats:
    """Return what a watch shows: late, in whole bpm, a little unsteady."""
    noise = np.random.default_rng(seed).normal(0, 0.8, seconds.size)
    return np.round(know_heart(seconds - late_s) + noise)


def list_days() -> dict[datetime, list[Worn]]:
    """Return who wore what on each day."""
    speed = know_speed(SECONDS)
    height = 200.0 + 20.0 * np.sin(SECONDS / 200.0)
    generator = np.random.default_rng(5)

    def wear(serial: int, seed: int, late_s: float, **others: object) -> Worn:
        return Worn(
            serial,
            read_wrist(SECONDS, seed=seed, late_s=late_s),
            speed_mps=np.round(speed + generator.normal(0, 0.05, speed.size), 3),
            altitude_m=np.round((height + generator.normal(0, 0.5, height.size)) * 5) / 5,
            **others,  # type: ignore[arg-type] # fields of the dataclass
        )

    stuck = np.round(know_heart(SECONDS))
    stuck[FROZEN[0] : FROZEN[1]] = stuck[FROZEN[0]]
    watches = [wear(1002, 2, 5.0), wear(1003, 3, 7.0), wear(1004, 4, 3.0)]
    paused = wear(1002, 2, 5.0, pause=PAUSE)
    return {
        BEATS_DAY: [Worn(1001, show_lagging(SECONDS), beats_s=draw_beats(1)), paused, watches[1]],
        FROZEN_DAY: [Worn(1001, stuck), *watches],
        WATCHES_DAY: watches,
    }


def write_fit(worn: Worn, start: datetime) -> bytes:
    """Return a recording of one value per second as a FIT activity.

    Source of message and field numbers: FIT profile, file types, activity.
    """
    first = int((start - _FIT_EPOCH) / timedelta(seconds=1))
    out = FitBytes()
    out.add(
        0,
        {
            0: ("enum", 4),
            1: ("uint16", 255),
            2: ("uint16", worn.serial % 100),
            3: ("uint32z", worn.serial),
            4: ("uint32", first),
        },
    )
    beats = np.empty(0) if worn.beats_s is None else worn.beats_s
    intervals = np.round(np.diff(beats) * 1000)
    ends = np.searchsorted(beats[1:], np.arange(N_SECONDS + 1))
    for second in range(N_SECONDS):
        if worn.pause is not None and second in worn.pause:
            kind = 4 if second == worn.pause[0] else 0
            out.add(
                21, {253: ("uint32", first + second), 0: ("enum", 0), 1: ("enum", kind)}, local=2
            )
        if worn.pause is not None and worn.pause[0] < second < worn.pause[1]:
            continue
        record = {253: ("uint32", first + second), 3: ("uint8", worn.heart_rate_bpm[second])}
        if worn.speed_mps is not None and worn.altitude_m is not None:
            record[6] = ("uint16", round(worn.speed_mps[second] * 1000))
            record[2] = ("uint16", round((worn.altitude_m[second] + 500) * 5))
        out.add(20, record, local=1)
        for interval in intervals[ends[second] : ends[second + 1]].tolist():
            out.add(78, {0: ("uint16", [interval])}, local=3)
    last = first + N_SECONDS - 1
    out.add(
        18,
        {
            253: ("uint32", last),
            2: ("uint32", first),
            5: ("enum", _RUNNING),
            7: ("uint32", (N_SECONDS - 1) * 1000),
            8: ("uint32", (N_SECONDS - 1) * 1000),
        },
        local=4,
    )
    return out.build()


def build_second_hand_home(root: Path) -> Home:
    """Take the exports of all days through the whole line."""
    home = Home(root / "home")
    home.create()
    home.devices.write_text(DEVICES, encoding="utf-8")
    lake.ensure_lake(home.lake)
    settings = load_settings()
    for start, several in list_days().items():
        for worn in several:
            path = root / f"{start:%m-%d}-{worn.serial}.fit"
            path.write_bytes(write_fit(worn, start))
            exports.ingest_file(
                exports.Dropped(path, path.name), home=home, settings=settings, move=False
            )
    settle_all(home)
    return home
