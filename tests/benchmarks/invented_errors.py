"""Errors that are put into invented recordings, one function for each kind of finding.

Each takes a device, the truth, a generator and the second near which to put it, changes the
device's channels and returns what it did; None where the workout does not allow it there. Sizes
begin a fifth above the least that the kind's definition states.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from tests.benchmarks.invented_workouts import PutIn, Truth, Worn

HEART, PLACES = "heart_rate_bpm", ("east_m", "north_m")
Put = Callable[[Worn, Truth, np.random.Generator, int], PutIn | None]


def put_bias(worn: Worn, truth: Truth, rng: np.random.Generator, at: int) -> PutIn:
    """Let heart rate be off by 7 to 25 bpm for 45 to 240 s."""
    del truth
    length, size = int(rng.integers(45, 240)), float(rng.choice([-1, 1]) * rng.uniform(7, 25))
    worn.channels[HEART][at : at + length] += round(size)
    return PutIn("biased_stretch", at, at + length, size)


def put_whole_bias(worn: Worn, truth: Truth, rng: np.random.Generator, at: int) -> PutIn:
    """Let heart rate be off by 6.5 to 10 bpm throughout: one sensor with a wrong constant."""
    del at
    size = float(rng.uniform(6.5, 10))
    worn.channels[HEART] += size
    return PutIn("biased_stretch", 0, truth.n, size)


def put_spike(worn: Worn, truth: Truth, rng: np.random.Generator, at: int) -> PutIn | None:
    """Let heart rate jump by 13 to 45 bpm for 2 to 9 s while the heart is steady."""
    heart = truth.channels[HEART]
    for begin in range(at, at + 200):
        if float(np.ptp(heart[begin - 45 : begin + 45])) <= 6:
            length, size = int(rng.integers(2, 9)), float(rng.choice([-1, 1]) * rng.uniform(13, 45))
            worn.channels[HEART][begin : begin + length] += round(size)
            return PutIn("spike", begin, begin + length, size)
    return None


def put_cadence_lock(worn: Worn, truth: Truth, rng: np.random.Generator, at: int) -> PutIn | None:
    """Let heart rate follow twice the cadence for 40 to 300 s where the two are 14 bpm apart."""
    length = int(rng.integers(40, 300))
    part = slice(at, at + length)
    for factor in (2.0, 1.0):
        locked = factor * truth.channels["cadence_rpm"][part]
        apart = locked - truth.channels[HEART][part]
        is_apart = np.abs(apart).min() >= 14 and locked.min() > 60
        if is_apart and np.ptp(np.sign(apart)) == 0:
            worn.channels[HEART][part] = np.round(locked + rng.normal(0, 0.7, locked.size))
            return PutIn("cadence_lock", at, at + length, float(apart.mean()))
    return None


def put_early_cadence_lock(
    worn: Worn, truth: Truth, rng: np.random.Generator, at: int
) -> PutIn | None:
    """Let heart rate follow cadence from the first second on, before any right value."""
    del at
    return put_cadence_lock(worn, truth, rng, 0)


def put_late_lock(worn: Worn, truth: Truth, rng: np.random.Generator, at: int) -> PutIn:
    """Let heart rate begin 18 to 45 bpm too low and come right after 60 to 240 s."""
    del truth, at
    length, size = int(rng.integers(60, 240)), float(rng.uniform(18, 45))
    worn.channels[HEART][:length] -= round(size)
    return PutIn("late_lock", 0, length, float(length))


def put_dropout(worn: Worn, truth: Truth, rng: np.random.Generator, at: int) -> PutIn:
    """Let heart rate be missing for 12 to 60 s while all else goes on."""
    del truth
    length = int(rng.integers(12, 60))
    worn.channels[HEART][at : at + length] = np.nan
    return PutIn("dropout", at, at + length, float(length))


def put_frozen(worn: Worn, truth: Truth, rng: np.random.Generator, at: int) -> PutIn | None:
    """Let heart rate stay at one value for 32 to 120 s while the heart moves by 12 bpm."""
    length = int(rng.integers(32, 120) if rng.random() < 0.5 else rng.integers(32, 46))
    heart = truth.channels[HEART]
    for begin in range(at, at + 250):
        if float(np.ptp(heart[begin : begin + length - 15])) >= 13:
            worn.channels[HEART][begin : begin + length] = worn.channels[HEART][begin]
            return PutIn("frozen", begin, begin + length, float(length))
    return None


def put_missed_rise(worn: Worn, truth: Truth, rng: np.random.Generator, at: int) -> PutIn | None:
    """Let heart rate make a fifth of a rise of 22 bpm or more until the heart comes down again."""
    heart = truth.channels[HEART]
    for begin in range(at, min(at + 260, truth.n - 300)):
        rise = heart[begin + 80] - heart[begin]
        before = abs(heart[begin] - heart[begin - 20])
        if rise >= 22 and before < 4:
            down = np.flatnonzero(heart[begin + 80 :] < heart[begin] + 0.5 * rise)
            end = begin + 80 + min(int(down[0]) if down.size else 200, 200)
            part = slice(begin, end)
            low = heart[begin] + 0.2 * (heart[part] - heart[begin])
            worn.channels[HEART][part] = np.round(low + rng.normal(0, 0.7, low.size))
            return PutIn("missed_rise", begin, end, -0.8 * float(rise))
    return None


def put_cut_corner(worn: Worn, truth: Truth, rng: np.random.Generator, at: int) -> PutIn | None:
    """Let the track pass 8 to 20 m inside a corner that the athlete turned."""
    near = [corner for corner in truth.corners_s if at <= corner < at + 250]
    if not near:
        return None
    corner = near[0]
    way = truth.channels["distance_m"]
    size = float(rng.uniform(8, 20))
    for back_m in np.arange(10, 80, 1.0):
        first = int(np.searchsorted(way, way[corner] - back_m))
        last = int(np.searchsorted(way, way[corner] + back_m))
        if last >= truth.n:
            return None
        east, north = (worn.channels[name] for name in PLACES)
        middle = [(values[first] + values[last]) / 2 for values in (east, north)]
        true = [truth.channels[name][corner] for name in PLACES]
        if np.hypot(middle[0] - true[0], middle[1] - true[1]) >= size:
            share = (way[first : last + 1] - way[first]) / (way[last] - way[first])
            for values in (east, north):
                values[first : last + 1] = values[first] + share * (values[last] - values[first])
            return PutIn("cut_corner", first, last, size)
    return None


def put_position_jump(worn: Worn, truth: Truth, rng: np.random.Generator, at: int) -> PutIn:
    """Let the position stand 70 to 300 m aside for 3 to 40 s."""
    del truth
    length, size, angle = int(rng.integers(3, 40)), rng.uniform(70, 300), rng.uniform(0, 6.3)
    worn.channels["east_m"][at : at + length] += size * np.sin(angle)
    worn.channels["north_m"][at : at + length] += size * np.cos(angle)
    return PutIn("position_jump", at, at + length, float(size))


def put_position_gap(worn: Worn, truth: Truth, rng: np.random.Generator, at: int) -> PutIn:
    """Let the position be missing for 15 to 90 s."""
    del truth
    length = int(rng.integers(15, 90))
    for name in PLACES:
        worn.channels[name][at : at + length] = np.nan
    return PutIn("position_gap", at, at + length, float(length))


def put_stuck(worn: Worn, truth: Truth, rng: np.random.Generator, at: int) -> PutIn | None:
    """Let the position stand for 12 to 60 s while speed and distance go on."""
    length = int(rng.integers(12, 60))
    if truth.channels["speed_mps"][at - 5 : at + length + 5].min() < 0.5:
        return None
    for name in PLACES:
        worn.channels[name][at : at + length] = worn.channels[name][at]
    return PutIn("stuck_position", at, at + length, float(length))


def put_altitude_jump(worn: Worn, truth: Truth, rng: np.random.Generator, at: int) -> PutIn:
    """Let the height step by 15 to 60 m within a second."""
    del truth
    size = float(rng.choice([-1, 1]) * rng.uniform(15, 60))
    worn.channels["altitude_m"][at:] += round(size * 5) / 5
    return PutIn("altitude_jump", at, at, size)


def put_false_pause(worn: Worn, truth: Truth, rng: np.random.Generator, at: int) -> PutIn | None:
    """Let the device pause for 25 to 240 s, its counter standing, while the athlete goes on."""
    length = int(rng.integers(25, 240))
    if truth.channels["speed_mps"][at : at + length].min() < 1.2:
        return None
    lost = worn.channels["distance_m"][at + length] - worn.channels["distance_m"][at]
    worn.channels["distance_m"][at + length :] -= lost
    worn.kept[at + 1 : at + length] = False
    return PutIn("false_pause", at, at + length, float(length))


#: What a wrong unit makes of a channel: km/h or mph for m/s, feet for metres, km or miles for m.
_FACTORS: Final = {
    "speed_mps": (3.6, 2.23694),
    "altitude_m": (3.28084, 0.3048),
    "distance_m": (1e-3, 1 / 1.609344),
}


def put_wrong_unit(worn: Worn, truth: Truth, rng: np.random.Generator, at: int) -> PutIn:
    """Let a channel hold values of another unit throughout."""
    del at
    channel = str(rng.choice(sorted(_FACTORS)))
    factor = float(rng.choice(_FACTORS[channel]))
    worn.channels[channel] = worn.channels[channel] * factor
    return PutIn("unit_mismatch", 0, truth.n, factor)


ERRORS: Final[dict[str, Put]] = {
    "bias": put_bias,
    "bias throughout": put_whole_bias,
    "spike": put_spike,
    "cadence lock": put_cadence_lock,
    "cadence lock from the start": put_early_cadence_lock,
    "late lock": put_late_lock,
    "dropout": put_dropout,
    "frozen": put_frozen,
    "missed rise": put_missed_rise,
    "cut corner": put_cut_corner,
    "position jump": put_position_jump,
    "position gap": put_position_gap,
    "stuck position": put_stuck,
    "jump in height": put_altitude_jump,
    "false pause": put_false_pause,
    "wrong unit": put_wrong_unit,
}
#: Errors that fill the whole recording, or its beginning: a device has at most one of them.
WHOLE: Final = frozenset(
    {"bias throughout", "cadence lock from the start", "late lock", "wrong unit"}
)
