"""Invented places: lines made of straights and arcs, so that length and corners are known exactly.

Coordinates are metres east and north of the place's origin. They are carried to WGS 84 by an
azimuthal equidistant projection about that origin; within 6 km of it, lengths on the ellipsoid
differ from lengths in the plane by less than 2 parts in 10 million.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS, Transformer

Floats = NDArray[np.float64]
Point = tuple[float, float]

# An invented valley; no point of it is anybody's home.
ORIGIN_LATITUDE_DEG = 63.4120
ORIGIN_LONGITUDE_DEG = 15.7830

# IAAF Track and Field Facilities Manual: straights of 84.39 m, kerb radius 36.50 m, and the
# running line of lane 1 measured 0.30 m out from the kerb. One lap is 400.00 m.
TRACK_STRAIGHT_M = 84.39
TRACK_LINE_RADIUS_M = 36.50 + 0.30


@dataclass(frozen=True)
class Corner:
    """A turn of the line: where its middle lies, how tight it is, how far it turns (left > 0)."""

    apex_m: float
    radius_m: float
    turn_deg: float


@dataclass(frozen=True)
class Path:
    """A line of pieces of constant curvature; a closed line goes round as often as one likes."""

    start_m: Floats
    east_m: Floats
    north_m: Floats
    heading_rad: Floats
    curvature_per_m: Floats
    length_m: float
    closed: bool
    corners: tuple[Corner, ...]
    profile_m: Floats
    profile_altitude_m: Floats

    def locate(self, distance_m: Floats) -> tuple[Floats, Floats]:
        """Return east and north at distances along the line."""
        along = self._wrap(distance_m)
        piece = np.clip(np.searchsorted(self.start_m, along, side="right") - 1, 0, None)
        gone = along - self.start_m[piece]
        heading = self.heading_rad[piece]
        curvature = self.curvature_per_m[piece]
        turning = np.abs(curvature) > 1e-12
        safe = np.where(turning, curvature, 1.0)
        after = heading + curvature * gone
        east = np.where(
            turning,
            (np.sin(after) - np.sin(heading)) / safe,
            gone * np.cos(heading),
        )
        north = np.where(
            turning,
            (np.cos(heading) - np.cos(after)) / safe,
            gone * np.sin(heading),
        )
        return self.east_m[piece] + east, self.north_m[piece] + north

    def climb(self, distance_m: Floats) -> Floats:
        """Return the altitude at distances along the line (cosine ramps between known heights)."""
        along = self._wrap(distance_m)
        knots, heights = self.profile_m, self.profile_altitude_m
        left = np.clip(np.searchsorted(knots, along, side="right") - 1, 0, len(knots) - 2)
        share = (along - knots[left]) / (knots[left + 1] - knots[left])
        rise = heights[left + 1] - heights[left]
        return np.asarray(heights[left] + rise * (1.0 - np.cos(np.pi * share)) / 2.0)

    def ascent_m(self) -> float:
        """Return the true ascent of one pass: the sum of the rises between the known heights."""
        return float(np.clip(np.diff(self.profile_altitude_m), 0.0, None).sum())

    def see_sky(self, distance_m: Floats) -> tuple[Floats, Floats]:
        """Return how much of the sky houses and trees hide along the line: nothing."""
        return np.zeros(len(distance_m)), np.zeros(len(distance_m))

    def _wrap(self, distance_m: Floats) -> Floats:
        if self.closed:
            return np.asarray(np.mod(distance_m, self.length_m))
        return np.clip(distance_m, 0.0, self.length_m)


@dataclass(frozen=True)
class Place:
    """A named line at a shifted origin; `path` is None indoors."""

    name: str
    path: Path | None
    east_m: float = 0.0
    north_m: float = 0.0

    def to_degrees(self, east_m: Floats, north_m: Floats) -> tuple[Floats, Floats]:
        """Return latitude and longitude on WGS 84."""
        origin = (ORIGIN_LATITUDE_DEG, ORIGIN_LONGITUDE_DEG)
        if self.east_m or self.north_m:
            shift = _project(*origin).transform(self.east_m, self.north_m)
            origin = (float(shift[1]), float(shift[0]))
        longitude, latitude = _project(*origin).transform(east_m, north_m)
        return np.asarray(latitude), np.asarray(longitude)


@cache
def _project(latitude_deg: float, longitude_deg: float) -> Transformer:
    plane = CRS.from_proj4(
        f"+proj=aeqd +lat_0={latitude_deg} +lon_0={longitude_deg} +datum=WGS84 +units=m"
    )
    return Transformer.from_crs(plane, "EPSG:4326", always_xy=True)


def build_path(
    pieces: Sequence[tuple[float, float]],
    *,
    start: Point = (0.0, 0.0),
    heading_rad: float = 0.0,
    closed: bool = False,
    profile: Sequence[Point] = ((0.0, 300.0), (1.0, 300.0)),
) -> Path:
    """Join pieces of (length [m], turn [rad], left positive) into a line.

    `profile` holds (share of the length, altitude [m]).
    """
    starts, easts, norths, headings, curvatures = [], [], [], [], []
    corners = []
    along, (east, north), heading = 0.0, start, heading_rad
    for length, turn in pieces:
        starts.append(along)
        easts.append(east)
        norths.append(north)
        headings.append(heading)
        curvature = turn / length
        curvatures.append(curvature)
        if turn:
            corners.append(Corner(along + length / 2.0, abs(1 / curvature), math.degrees(turn)))
            after = heading + turn
            east += (math.sin(after) - math.sin(heading)) / curvature
            north += (math.cos(heading) - math.cos(after)) / curvature
            heading = after
        else:
            east += length * math.cos(heading)
            north += length * math.sin(heading)
        along += length
    shares = np.array(profile, dtype=float)
    return Path(
        start_m=np.array(starts),
        east_m=np.array(easts),
        north_m=np.array(norths),
        heading_rad=np.array(headings),
        curvature_per_m=np.array(curvatures),
        length_m=along,
        closed=closed,
        corners=tuple(corners),
        profile_m=shares[:, 0] * along,
        profile_altitude_m=shares[:, 1],
    )


def round_corners(
    points: Sequence[Point],
    radius_m: float,
    *,
    closed: bool = False,
    profile: Sequence[Point] = ((0.0, 300.0), (1.0, 300.0)),
) -> Path:
    """Join points by straights and round every corner with the same radius.

    A closed line starts in the middle of the side from the last point to the first.

    Raises:
        ValueError: a side is too short for the roundings at its ends.
    """
    vertices = [np.array(point, dtype=float) for point in points]
    if closed:
        middle = (vertices[-1] + vertices[0]) / 2.0
        vertices = [middle, *vertices, middle]
    sides = np.diff(np.array(vertices), axis=0)
    lengths = np.hypot(sides[:, 0], sides[:, 1])
    bearings = np.arctan2(sides[:, 1], sides[:, 0])
    turns = (np.diff(bearings) + np.pi) % (2 * np.pi) - np.pi
    tangents = np.concatenate([[0.0], radius_m * np.tan(np.abs(turns) / 2.0), [0.0]])
    pieces: list[tuple[float, float]] = []
    for index, length in enumerate(lengths):
        straight = length - tangents[index] - tangents[index + 1]
        if straight <= 0:
            raise ValueError(f"side {index} of {length:.1f} m has no room for its roundings")
        pieces.append((float(straight), 0.0))
        if index < len(turns) and turns[index]:
            pieces.append((float(radius_m * abs(turns[index])), float(turns[index])))
    first = vertices[0]
    return build_path(
        pieces,
        start=(float(first[0]), float(first[1])),
        heading_rad=float(bearings[0]),
        closed=closed,
        profile=profile,
    )


def build_track() -> Path:
    """Return the running line of lane 1 of a standard 400 m track, start on a straight."""
    half_turn = (math.pi * TRACK_LINE_RADIUS_M, math.pi)
    straight = (TRACK_STRAIGHT_M, 0.0)
    return build_path([straight, half_turn, straight, half_turn], heading_rad=0.4, closed=True)


def build_square(side_m: float = 250.0, radius_m: float = 3.0) -> Path:
    """Return a square with tight corners."""
    corners = [(0.0, 0.0), (side_m, 0.0), (side_m, side_m), (0.0, side_m)]
    return round_corners(corners, radius_m, closed=True)


def build_out_and_back(length_m: float = 1500.0, *, width_m: float = 3.0) -> Path:
    """Return a straight out and back, `width_m` apart, with a turn at each end."""
    half = width_m / 2.0
    corners = [(0.0, -half), (length_m, -half), (length_m, half), (0.0, half)]
    return round_corners(corners, half * 0.98, closed=True)


def build_winding_loop(
    seed: int,
    *,
    corners: int,
    radius_m: float,
    wiggle: float,
    corner_radius_m: float,
    profile: Sequence[Point],
) -> Path:
    """Return a loop that winds in and out about a circle, with corners of one known radius.

    `wiggle` is how far the corners lie off the circle, as a share of its radius: larger means
    sharper turns.
    """
    rng = np.random.default_rng(seed)
    angle = 2 * np.pi * (np.arange(corners) + rng.uniform(-0.12, 0.12, corners)) / corners
    side = np.where(np.arange(corners) % 2 == 0, 1.0, -1.0)
    reach = radius_m * (1.0 + wiggle * side * rng.uniform(0.6, 1.4, corners))
    points = [
        (float(r * math.cos(a)), float(r * math.sin(a))) for r, a in zip(reach, angle, strict=True)
    ]
    return round_corners(points, corner_radius_m, closed=True, profile=profile)
