"""What satellite receivers do to the position."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.simulate.athlete import draw_memory_noise
from tests.simulate.manifest import Entry
from tests.simulate.script import Workout
from tests.simulate.trace import Changed, Trace

Floats = NDArray[np.float64]
POSITION = "position"


def _place(trace: Trace) -> tuple[Floats, Floats]:
    return trace.channels["east_m"].copy(), trace.channels["north_m"].copy()


def _put(trace: Trace, east_m: Floats, north_m: Floats) -> Trace:
    return trace.with_channel("east_m", east_m).with_channel("north_m", north_m)


@dataclass(frozen=True)
class PositionNoise:
    """Noise of each coordinate: white when the memory is 0, else correlated over `memory_s`."""

    sd_m: float
    memory_s: float = 0.0

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        east, north = _place(trace)
        count = len(east)
        east += draw_memory_noise(count, self.memory_s, self.sd_m, rng)
        north += draw_memory_noise(count, self.memory_s, self.sd_m, rng)
        entry = Entry(
            "position_noise",
            POSITION,
            0.0,
            workout.duration_s,
            self.sd_m,
            "m",
            {"memory_s": self.memory_s},
        )
        return _put(trace, east, north), (entry,)


@dataclass(frozen=True)
class PositionOffset:
    """The whole track stands aside by a constant."""

    east_m: float
    north_m: float

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del rng
        east, north = _place(trace)
        size = float(np.hypot(self.east_m, self.north_m))
        entry = Entry(
            "position_offset",
            POSITION,
            0.0,
            workout.duration_s,
            size,
            "m",
            {"east_m": self.east_m, "north_m": self.north_m},
        )
        return _put(trace, east + self.east_m, north + self.north_m), (entry,)


@dataclass(frozen=True)
class SideOffset:
    """The track stands aside of the line of travel by a constant, left positive."""

    left_m: float

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del rng
        east, north = _place(trace)
        ahead = workout.sample(trace.time_s + 0.05)
        behind = workout.sample(trace.time_s - 0.05)
        heading = np.arctan2(
            ahead["north_m"] - behind["north_m"], ahead["east_m"] - behind["east_m"]
        )
        east -= self.left_m * np.sin(heading)
        north += self.left_m * np.cos(heading)
        entry = Entry("side_offset", POSITION, 0.0, workout.duration_s, self.left_m, "m")
        return _put(trace, east, north), (entry,)


@dataclass(frozen=True)
class FilteredPosition:
    """A filter that trusts its own constant-velocity guess: smooths, and swings out of corners.

    The alpha-beta filter, the steady state of a Kalman filter with that model.
    """

    alpha: float = 0.45
    beta: float = 0.12

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del rng
        east, north = _place(trace)
        entry = Entry(
            "position_filter",
            POSITION,
            0.0,
            workout.duration_s,
            self.alpha,
            "1",
            {"beta": self.beta},
        )
        return _put(trace, self._follow(east), self._follow(north)), (entry,)

    def _follow(self, seen: Floats) -> Floats:
        value, rate = float(seen[0]), 0.0
        out = []
        for fix in seen.tolist():
            guess = value + rate
            miss = fix - guess
            value = guess + self.alpha * miss
            rate += self.beta * miss
            out.append(value)
        return np.array(out)


@dataclass(frozen=True)
class CornerCutting:
    """The track is the mean of the true path over `window_s` seconds about each instant.

    What each corner of the path lost is known: the distance from its true apex to the track.
    """

    window_s: int

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del rng
        east, north = _place(trace)
        smooth_east = _centre_mean(east, self.window_s)
        smooth_north = _centre_mean(north, self.window_s)
        entries = _measure_cuts(trace, workout, (smooth_east, smooth_north))
        return _put(trace, smooth_east, smooth_north), entries


def _centre_mean(values: Floats, window_s: int) -> Floats:
    half = window_s // 2
    padded = np.concatenate([np.full(half, values[0]), values, np.full(half, values[-1])])
    sums = np.cumsum(np.concatenate([[0.0], padded]))
    width = 2 * half + 1
    return np.asarray((sums[width:] - sums[:-width]) / width)


def _measure_cuts(
    trace: Trace, workout: Workout, track: tuple[Floats, Floats]
) -> tuple[Entry, ...]:
    path = workout.place.path
    if path is None:
        return ()
    distance = np.interp(trace.time_s, workout.time_s, workout.distance_m)
    rounds = int(distance[-1] // path.length_m) + 1 if path.closed else 1
    entries = []
    for lap in range(rounds):
        for corner in path.corners:
            at = corner.apex_m + lap * path.length_m
            if abs(corner.turn_deg) < 45.0 or not distance[0] < at < distance[-1]:
                continue
            middle = int(np.searchsorted(distance, at))
            near = slice(max(middle - 15, 0), middle + 16)
            apex_east, apex_north = path.locate(np.array([at]))
            cut = _reach_polyline(track[0][near] - apex_east[0], track[1][near] - apex_north[0])
            second = float(trace.time_s[middle])
            entries.append(
                Entry(
                    "cut_corner" if cut > 5.0 else "softened_corner",
                    POSITION,
                    second - 5.0,
                    second + 5.0,
                    cut,
                    "m",
                    {"turn_deg": corner.turn_deg, "apex_m": at, "radius_m": corner.radius_m},
                )
            )
    return tuple(entries)


def _reach_polyline(east_m: Floats, north_m: Floats) -> float:
    """Return the distance of the origin from a polyline."""
    along_east, along_north = np.diff(east_m), np.diff(north_m)
    square = np.maximum(along_east**2 + along_north**2, 1e-12)
    share = -(east_m[:-1] * along_east + north_m[:-1] * along_north) / square
    share = np.clip(share, 0.0, 1.0)
    return float(
        np.hypot(east_m[:-1] + share * along_east, north_m[:-1] + share * along_north).min()
    )


@dataclass(frozen=True)
class Canopy:
    """Between two instants trees add noise with a memory and pull the track to one side."""

    start_s: float
    end_s: float
    sd_m: float = 5.0
    memory_s: float = 20.0

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del workout
        east, north = _place(trace)
        inside = trace.between(self.start_s, self.end_s)
        # The error grows and fades over half a minute, as it does at the edge of a wood.
        depth = np.clip(
            np.minimum(trace.time_s - self.start_s, self.end_s - trace.time_s) / 30.0, 0.0, 1.0
        )
        east += depth * draw_memory_noise(len(east), self.memory_s, self.sd_m, rng)
        north += depth * draw_memory_noise(len(north), self.memory_s, self.sd_m, rng)
        entry = Entry(
            "canopy",
            POSITION,
            self.start_s,
            self.end_s,
            self.sd_m,
            "m",
            {"memory_s": self.memory_s, "samples": int(inside.sum())},
        )
        return _put(trace, east, north), (entry,)


@dataclass(frozen=True)
class PositionJump:
    """For some seconds the track stands elsewhere, as between high walls."""

    start_s: float
    end_s: float
    east_m: float = 60.0
    north_m: float = 40.0

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del workout, rng
        east, north = _place(trace)
        inside = trace.between(self.start_s, self.end_s)
        east[inside] += self.east_m
        north[inside] += self.north_m
        size = float(np.hypot(self.east_m, self.north_m))
        entry = Entry("position_jump", POSITION, self.start_s, self.end_s, size, "m")
        return _put(trace, east, north), (entry,)


@dataclass(frozen=True)
class PositionGap:
    """Between two instants there is no position."""

    start_s: float
    end_s: float

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del workout, rng
        east, north = _place(trace)
        inside = trace.between(self.start_s, self.end_s)
        east[inside] = np.nan
        north[inside] = np.nan
        size = self.end_s - self.start_s
        entry = Entry("position_gap", POSITION, self.start_s, self.end_s, size, "s")
        return _put(trace, east, north), (entry,)


@dataclass(frozen=True)
class LateFirstFix:
    """The first position comes some seconds after the start."""

    delay_s: float

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del workout, rng
        east, north = _place(trace)
        early = trace.time_s < self.delay_s
        east[early] = np.nan
        north[early] = np.nan
        entry = Entry("late_first_fix", POSITION, 0.0, self.delay_s, self.delay_s, "s")
        return _put(trace, east, north), (entry,)


@dataclass(frozen=True)
class PositionDelay:
    """The position is that of some seconds ago."""

    delay_s: float

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del rng
        east, north = _place(trace)
        earlier = trace.time_s - self.delay_s
        entry = Entry("position_delay", POSITION, 0.0, workout.duration_s, self.delay_s, "s")
        late = _put(
            trace,
            np.interp(earlier, trace.time_s, east),
            np.interp(earlier, trace.time_s, north),
        )
        return late, (entry,)


@dataclass(frozen=True)
class StuckFix:
    """Between two instants the position does not move although the athlete does."""

    start_s: float
    end_s: float

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del workout, rng
        east, north = _place(trace)
        inside = trace.between(self.start_s, self.end_s)
        held = int(np.searchsorted(trace.time_s, self.start_s))
        east[inside] = east[held]
        north[inside] = north[held]
        entry = Entry(
            "stuck_fix", POSITION, self.start_s, self.end_s, self.end_s - self.start_s, "s"
        )
        return _put(trace, east, north), (entry,)
