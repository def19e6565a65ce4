"""The invented places keep the lengths, corners and heights that they promise."""

import itertools

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from tests.simulate.places import (
    ORIGIN_LATITUDE_DEG,
    Path,
    Place,
    build_out_and_back,
    build_square,
    build_track,
    build_winding_loop,
    round_corners,
)


def measure_geodesic_m(place: Place, distance_m: np.ndarray) -> float:
    # geographiclib (Karney 2013) is another program than the projection that placed the points.
    assert place.path is not None
    latitude, longitude = place.to_degrees(*place.path.locate(distance_m))
    points = list(zip(latitude.tolist(), longitude.tolist(), strict=True))
    return sum(
        float(Geodesic.WGS84.Inverse(*here, *there)["s12"])
        for here, there in itertools.pairwise(points)
    )


def test_a_lap_of_the_track_is_400_metres() -> None:
    # 2 * 84.39 + 2 * pi * 36.80 = 400.00 m (IAAF Track and Field Facilities Manual).
    assert build_track().length_m == pytest.approx(400.0, abs=0.05)


@pytest.mark.parametrize("aside_m", [0.0, 3000.0])
def test_a_lap_of_the_track_is_400_metres_on_the_ellipsoid(aside_m: float) -> None:
    place = Place("track", build_track(), aside_m, aside_m)
    # Chords of 0.5 m on the arcs are 0.002 m too short per lap.
    measured = measure_geodesic_m(place, np.linspace(0.0, 400.0, 801))
    assert measured == pytest.approx(400.0, abs=0.05)


def test_an_out_and_back_stays_true_on_the_ellipsoid_far_from_the_origin() -> None:
    path = build_out_and_back(6000.0)
    place = Place("road", path)
    along = np.array([10.0, 5910.0])
    assert measure_geodesic_m(place, along) == pytest.approx(5900.0, abs=0.01)


@pytest.mark.parametrize("path", [build_track(), build_square(), build_out_and_back()])
def test_a_closed_line_ends_where_it_began(path: Path) -> None:
    ends = path.locate(np.array([0.0, path.length_m - 1e-9]))
    assert np.hypot(np.ptp(ends[0]), np.ptp(ends[1])) < 1e-6


def test_a_closed_line_goes_round_as_often_as_one_likes() -> None:
    path = build_square()
    once = path.locate(np.array([10.0, 333.3]))
    thrice = path.locate(np.array([10.0, 333.3]) + 2 * path.length_m)
    np.testing.assert_allclose(once, thrice, atol=1e-6)


def test_the_square_turns_four_times_by_a_quarter() -> None:
    turns = [corner.turn_deg for corner in build_square().corners]
    assert turns == pytest.approx([90.0, 90.0, 90.0, 90.0])


def test_corners_have_the_radius_that_was_asked_for() -> None:
    path = build_winding_loop(
        3, corners=20, radius_m=300.0, wiggle=0.1, corner_radius_m=4.0, profile=[(0, 0), (1, 0)]
    )
    corner = path.corners[5]
    around = corner.apex_m + np.array([-1.0, 0.0, 1.0])
    east, north = path.locate(around)
    a, b, c = (
        float(np.hypot(east[i] - east[j], north[i] - north[j])) for i, j in ((0, 1), (1, 2), (0, 2))
    )
    area = (
        abs(
            (east[1] - east[0]) * (north[2] - north[0])
            - (east[2] - east[0]) * (north[1] - north[0])
        )
        / 2
    )
    # The circle through three points: R = abc / 4A.
    assert a * b * c / (4 * area) == pytest.approx(4.0, rel=1e-6)


def test_a_step_along_the_line_is_as_long_as_it_says() -> None:
    path = build_track()
    along = np.arange(0.0, 400.0, 0.01)
    east, north = path.locate(along)
    np.testing.assert_allclose(np.hypot(np.diff(east), np.diff(north)), 0.01, atol=1e-6)


def test_ascent_is_the_sum_of_the_rises_of_the_profile() -> None:
    profile = [(0.0, 100.0), (0.4, 150.0), (0.6, 130.0), (1.0, 160.0)]
    path = round_corners([(0, 0), (1000, 0), (1000, 900)], 5.0, profile=profile)
    heights = path.climb(np.arange(0.0, path.length_m, 0.1))
    assert path.ascent_m() == 80.0  # 50 + 30
    assert np.clip(np.diff(heights), 0, None).sum() == pytest.approx(80.0, abs=0.01)


def test_a_side_too_short_for_its_roundings_is_refused() -> None:
    with pytest.raises(ValueError, match="no room"):
        round_corners([(0, 0), (5, 0), (5, 5), (0, 5)], 10.0, closed=True)


def test_places_lie_where_they_were_put() -> None:
    place = Place("somewhere", build_square(), 0.0, 1000.0)
    latitude, _ = place.to_degrees(np.array([0.0]), np.array([0.0]))
    # One degree of latitude at 63.4 N is 111.47 km (WGS 84 meridian radius 6,386.9 km).
    assert latitude[0] - ORIGIN_LATITUDE_DEG == pytest.approx(1.0 / 111.47, rel=1e-3)
