"""Routes as people find them: streets with blocks, roads that wind, paths with hairpins.

A route is a line of one-metre chords, so that its length, its corners and its heights are known
as exactly as those of the lines of `places`.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.simulate.places import Corner, Path, Point
from tests.simulate.terrain import Terrain

Floats = NDArray[np.float64]

STEP_M = 1.0
#: A corner turns by at least so much on so much of the way.
CORNER_DEG, CORNER_WITHIN_M = 45.0, 20.0
#: At the edge of a wood or a street the sky opens over some metres.
EDGE_M = 15.0
WAVES = 8


@dataclass(frozen=True)
class Way:
    """How a kind of way winds.

    Its sideways slope is the sum of waves between two lengths, of the given standard deviation;
    `bow` is the height of its arc as a share of its length.
    """

    street: float = 0.0
    trees: float = 0.0
    shortest_m: float = 40.0
    longest_m: float = 200.0
    slope_sd: float = 0.0
    bow: float = 0.0
    corner_radius_m: float = 3.5


STREET = Way(street=1.0, slope_sd=0.01, longest_m=80.0, corner_radius_m=5.0)
ROAD = Way(shortest_m=160.0, longest_m=700.0, slope_sd=0.16, bow=0.10, corner_radius_m=28.0)
PATH = Way(trees=0.35, shortest_m=45.0, longest_m=190.0, slope_sd=0.26, bow=0.08)
WOOD = Way(trees=1.0, shortest_m=36.0, longest_m=180.0, slope_sd=0.33, bow=0.08)


@dataclass(frozen=True)
class Route(Path):
    """A line of short chords with dense heights; `marks_m` are the ends of its legs."""

    marks_m: tuple[float, ...]
    street: Floats
    trees: Floats

    def climb(self, distance_m: Floats) -> Floats:
        """Return the altitude at distances along the line, straight between its points."""
        along = self._wrap(distance_m)
        return np.asarray(np.interp(along, self.profile_m, self.profile_altitude_m))

    def see_sky(self, distance_m: Floats) -> tuple[Floats, Floats]:
        """Return how much of the sky houses and trees hide at distances along the line, 0 to 1."""
        at = self._wrap(distance_m)
        return (
            np.asarray(np.interp(at, self.profile_m, self.street)),
            np.asarray(np.interp(at, self.profile_m, self.trees)),
        )


def lay_route(
    start: Point, legs: Sequence[tuple[Way, Point]], *, seed: int, terrain: Terrain, graded_m: float
) -> Route:
    """Join legs into a route that comes back to its start.

    A leg that is passed again, either way, is the same line. `graded_m` is how far the builders of
    the way evened out the ground.
    """
    lines, ends = [], []
    begin = start
    for way, end in legs:
        lines.append(_wind(way, begin, end, seed))
        ends.append(way)
        begin = end
    if begin != start:
        raise ValueError("a route comes back to its start")
    east, north, joints = _round_joints(lines, [way.corner_radius_m for way in ends])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(east), np.diff(north)))])
    even = np.arange(0.0, along[-1], STEP_M)
    at_east, at_north = np.interp(even, along, east), np.interp(even, along, north)
    at_east, at_north = np.append(at_east, start[0]), np.append(at_north, start[1])
    chords_east, chords_north = np.diff(at_east), np.diff(at_north)
    chords = np.hypot(chords_east, chords_north)
    starts = np.concatenate([[0.0], np.cumsum(chords)])
    marks = tuple(float(along[joint]) for joint in joints)
    which = np.clip(np.searchsorted(marks, starts), 0, len(ends) - 1)
    return Route(
        start_m=starts[:-1],
        east_m=at_east[:-1],
        north_m=at_north[:-1],
        heading_rad=np.arctan2(chords_north, chords_east),
        curvature_per_m=np.zeros(len(chords)),
        length_m=float(starts[-1]),
        closed=True,
        corners=find_turns(starts[:-1], np.arctan2(chords_north, chords_east)),
        profile_m=starts,
        profile_altitude_m=_even_out(terrain.find_height(at_east, at_north), graded_m),
        marks_m=marks,
        street=_even_out(np.array([way.street for way in ends])[which], EDGE_M),
        trees=_even_out(np.array([way.trees for way in ends])[which], EDGE_M),
    )


def find_turns(along_m: Floats, heading_rad: Floats) -> tuple[Corner, ...]:
    """Return the corners of a line of short chords: the middle and the size of each turn."""
    turned = np.unwrap(heading_rad)
    half = round(CORNER_WITHIN_M / STEP_M / 2.0)
    if len(turned) <= 2 * half:
        return ()
    turn = np.degrees(turned[2 * half :] - turned[: -2 * half])
    sharp = np.abs(turn) >= CORNER_DEG
    # A turn to the left that follows one to the right is another corner.
    side = np.where(sharp, np.sign(turn), 0.0)
    edges = np.flatnonzero(np.diff(side)) + 1
    corners = []
    for first, last in zip([0, *edges], [*edges, len(side)], strict=True):
        if side[first] == 0.0:
            continue
        middle = first + int(np.argmax(np.abs(turn[first:last])))
        angle = float(turn[middle])
        corners.append(
            Corner(float(along_m[middle + half]), CORNER_WITHIN_M / math.radians(abs(angle)), angle)
        )
    return tuple(corners)


def _wind(way: Way, begin: Point, end: Point, seed: int) -> Floats:
    """Return the points of one leg, shape (n, 2); both directions are the same line."""
    (first, last) = sorted((begin, end))
    keys = [seed, *(round(abs(value) * 10.0) for value in (*first, *last))]
    rng = np.random.default_rng(keys)
    east, north = last[0] - first[0], last[1] - first[1]
    length = math.hypot(east, north)
    share = np.linspace(0.0, 1.0, max(round(length / STEP_M), 2) + 1)
    waves = np.exp(rng.uniform(math.log(way.shortest_m), math.log(way.longest_m), WAVES))
    phases = rng.uniform(0.0, 2.0 * math.pi, WAVES)
    # The slope of a wave of height h and length w has the amplitude 2 pi h / w.
    heights = way.slope_sd * math.sqrt(2.0 / WAVES) * waves / (2.0 * math.pi)
    inner = (heights * np.sin(2.0 * math.pi * share[:, None] * length / waves + phases)).sum(axis=1)
    # Near its ends a leg runs straight to the junction.
    aside = inner * np.clip(np.minimum(share, 1.0 - share) * length / 40.0, 0.0, 1.0)
    aside += rng.uniform(-1.0, 1.0) * way.bow * length * np.sin(math.pi * share) ** 2
    points = np.column_stack(
        [
            first[0] + share * east - aside * north / length,
            first[1] + share * north + aside * east / length,
        ]
    )
    return points if first == begin else points[::-1]


def _round_joints(
    lines: Sequence[Floats], radii_m: Sequence[float]
) -> tuple[Floats, Floats, list[int]]:
    """Join legs and round each junction; return the line and the index of each leg's end."""
    parts: list[Floats] = []
    joints: list[int] = []
    count = trimmed = 0
    for number, line in enumerate(lines):
        if number + 1 == len(lines):
            parts.append(line[trimmed:])
            joints.append(count + len(line) - trimmed - 1)
            break
        ahead = lines[number + 1]
        bend = _turn_between(line, ahead)
        room = min(len(line), len(ahead)) // 3
        # In a hairpin nobody runs farther than a few steps beyond the junction.
        reach = radii_m[number] * math.tan(min(abs(bend), 2.6) / 2.0)
        cut = int(np.clip(round(reach / STEP_M), 1, room))
        arc = _bend(line[-cut - 1], line[-1], ahead[cut])
        parts += [line[trimmed : len(line) - cut - 1], arc[:-1]]
        count += len(line) - cut - 1 - trimmed
        joints.append(count + len(arc) // 2)
        count += len(arc) - 1
        trimmed = cut
    whole = np.concatenate(parts)
    return whole[:, 0], whole[:, 1], joints


def _turn_between(line: Floats, ahead: Floats) -> float:
    come, leave = line[-1] - line[-4], ahead[3] - ahead[0]
    bend = math.atan2(leave[1], leave[0]) - math.atan2(come[1], come[0])
    return (bend + math.pi) % (2.0 * math.pi) - math.pi


def _bend(begin: Floats, corner: Floats, end: Floats) -> Floats:
    """Return a quadratic curve that touches both sides of a corner."""
    share = np.linspace(0.0, 1.0, 25)[:, None]
    curve = (1 - share) ** 2 * begin + 2 * share * (1 - share) * corner + share**2 * end
    return np.asarray(curve)


def _even_out(values: Floats, over_m: float) -> Floats:
    """Return values along a closed line, smoothed by a bell of the given standard deviation."""
    from scipy.ndimage import gaussian_filter1d  # noqa: PLC0415  # costs most of the start-up

    if over_m <= 0.0:
        return values
    return np.asarray(gaussian_filter1d(values, over_m / STEP_M, mode="wrap"))
