"""Published lengths on ellipsoids and of running tracks, through the code that measures tracks."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from pyproj import Geod

from tasks.maths.geodesy import (
    PlaneOrigin,
    PlaneTrack,
    compute_leg_lengths,
    compute_path_length_m,
    restore_from_plane,
)
from tasks.maths.lines import build_line

BESSEL = {"a": 6377397.155, "rf": 299.1528128}
INTERNATIONAL = {"a": 6378388.0, "rf": 297.0}


def degrees(d: float, m: float = 0.0, s: float = 0.0) -> float:
    """Degrees, minutes and seconds; a negative part makes all negative."""
    sign = -1.0 if min(d, m, s) < 0 else 1.0
    return sign * (abs(d) + abs(m) / 60 + abs(s) / 3600)


# Vincenty 1975, Direct and inverse solutions of geodesics on the ellipsoid, Survey Review 23:88,
# table II (typed from memory, and reproduced to every remembered digit by two other programs):
# latitude, azimuth, latitude of the end, difference of longitude, azimuth of the end, metres.
VINCENTY = [
    (BESSEL, degrees(55, 45), degrees(96, 36, 8.79960), degrees(-33, 26), degrees(108, 13),
     degrees(137, 52, 22.01454), 14110526.170),
    (INTERNATIONAL, degrees(37, 19, 54.95367), degrees(95, 27, 59.63089),
     degrees(26, 7, 42.83946), degrees(41, 28, 35.50729), degrees(118, 5, 58.96161), 4085966.703),
    (INTERNATIONAL, degrees(35, 16, 11.24862), degrees(15, 44, 23.74850),
     degrees(67, 22, 14.77638), degrees(137, 47, 28.31435), degrees(144, 55, 39.92147),
     8084823.839),
    (INTERNATIONAL, degrees(1), degrees(89), degrees(0, -59, 53.83076),
     degrees(179, 17, 48.02997), degrees(91, 0, 6.11733), 19960000.000),
    (INTERNATIONAL, degrees(1), degrees(4, 59, 59.99995), degrees(1, 1, 15.18952),
     degrees(179, 46, 17.84244), degrees(174, 59, 59.88481), 19780006.5584),
]  # fmt: skip


@pytest.mark.parametrize("row", VINCENTY)
def test_the_library_of_our_lengths_gives_vincentys_table(row: tuple[object, ...]) -> None:
    ellipsoid, latitude, azimuth, latitude_end, longitude_end, azimuth_end, metres = row
    there, back, length = Geod(**ellipsoid).inv(0.0, latitude, longitude_end, latitude_end)
    assert length == pytest.approx(metres, abs=1e-3)
    # A hundred-thousandth of a second of the printed positions moves nearly antipodal azimuths.
    assert there == pytest.approx(azimuth, abs=1e-6)
    assert (back + 180) % 360 == pytest.approx(azimuth_end, abs=1e-6)


def test_constants_of_wgs84_are_the_published_ones() -> None:
    # NGA.STND.0036: a, 1/f; derived b and e^2.
    ellipsoid = Geod(ellps="WGS84")
    assert ellipsoid.a == 6378137.0
    assert 1 / ellipsoid.f == pytest.approx(298.257223563, abs=1e-9)
    assert ellipsoid.b == pytest.approx(6356752.314245, abs=1e-6)
    assert ellipsoid.es == pytest.approx(0.00669437999014, abs=1e-14)


@pytest.mark.parametrize(
    ("start", "end", "metres"),
    # One degree at the equator and at 45 N. Source: computed with GeographicLib, apart from us;
    # the equatorial one is a pi / 180.
    [
        ((-0.5, 0.0), (0.5, 0.0), 110574.389),
        ((44.5, 0.0), (45.5, 0.0), 111131.778),
        ((0.0, 0.0), (0.0, 1.0), 111319.491),
        ((45.0, 0.0), (45.0, 1.0), 78846.335),
    ],
)
def test_a_degree_is_as_long_as_it_is(
    start: tuple[float, float], end: tuple[float, float], metres: float
) -> None:
    latitude, longitude = np.array([start[0], end[0]]), np.array([start[1], end[1]])
    expected = Geodesic.WGS84.Inverse(*start, *end)["s12"]
    assert compute_path_length_m(latitude, longitude) == pytest.approx(expected, abs=1e-6)
    # The table holds arcs of meridian from 0 to 1 degree and of parallel, in millimetres.
    assert expected == pytest.approx(metres, rel=1e-3)


def test_a_sphere_would_be_wrong_by_a_third_of_a_percent() -> None:
    # Along a meridian at the equator: sphere of 6371008.8 m against the ellipsoid.
    ours = compute_path_length_m(np.array([-0.5, 0.5]), np.zeros(2))
    sphere = 6371008.8 * np.pi / 180
    assert sphere / ours - 1 == pytest.approx(0.0056, abs=0.0002)


# World Athletics Track and Field Facilities Manual: straights of 84.39 m, kerb of 36.50 m radius,
# lanes of 1.22 m, measured 0.30 m from the kerb in lane 1 and 0.20 m from the line in others.
STRAIGHT_M, KERB_M, LANE_M = 84.39, 36.50, 1.22
LENGTHS_M = [400.001, 407.038, 414.704, 422.369, 430.035, 437.700, 445.366, 453.031, 460.697]
# Staggers of a 400 m race in lanes, the same manual (from memory, verified by geometry).
STAGGERS_M = [0.0, 7.04, 14.70, 22.37, 30.03, 37.70, 45.36, 53.03]


def draw_lane(lane: int) -> tuple[np.ndarray, np.ndarray]:
    """Points every few centimetres along the measured line of a lane, a whole round."""
    radius = KERB_M + (0.30 if lane == 1 else 0.20 + LANE_M * (lane - 1))
    bend = np.linspace(-np.pi / 2, np.pi / 2, 2001)
    half = STRAIGHT_M / 2
    east = np.concatenate([half + radius * np.cos(bend), -half - radius * np.cos(bend), [half]])
    north = np.concatenate([radius * np.sin(bend), -radius * np.sin(bend), [-radius]])
    return east, north


@pytest.mark.parametrize(("lane", "metres"), list(enumerate(LENGTHS_M, start=1)))
def test_a_lane_is_as_long_as_the_manual_says(lane: int, metres: float) -> None:
    east, north = draw_lane(lane)
    places = restore_from_plane(PlaneTrack(east, north), origin=PlaneOrigin(52.0, 13.0))
    assert compute_path_length_m(*places) == pytest.approx(metres, abs=0.002)
    line = build_line(east, north)
    assert line is not None
    assert line.length_m == pytest.approx(metres, abs=0.002)


def test_staggers_are_those_of_the_manual() -> None:
    lengths = [
        compute_path_length_m(
            *restore_from_plane(PlaneTrack(*draw_lane(lane)), origin=PlaneOrigin(-33.0, 151.0))
        )
        for lane in range(1, 9)
    ]
    assert np.array(lengths) - lengths[0] == pytest.approx(STAGGERS_M, abs=0.01)


def test_five_laps_of_lane_one_are_two_kilometres() -> None:
    east, north = draw_lane(1)
    places = restore_from_plane(
        PlaneTrack(np.tile(east, 5), np.tile(north, 5)), origin=PlaneOrigin(52.0, 13.0)
    )
    assert compute_path_length_m(*places) == pytest.approx(2000.0, abs=0.01)


def test_random_paths_equal_geographiclib() -> None:
    generator = np.random.default_rng(5)
    for _ in range(20):
        latitude = generator.uniform(-80, 80) + np.cumsum(generator.normal(0, 0.01, 30))
        longitude = generator.uniform(-179, 179) + np.cumsum(generator.normal(0, 0.01, 30))
        expected = [
            Geodesic.WGS84.Inverse(a, b, c, d)["s12"]
            for (a, b), (c, d) in itertools.pairwise(zip(latitude, longitude, strict=True))
        ]
        assert compute_leg_lengths(latitude, longitude) == pytest.approx(expected, abs=1e-6)
