"""Geodesic lengths against GeographicLib's own rows, Vincenty's table and geographiclib."""

import itertools

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st

from tasks.maths.geodesy import (
    PlaneOrigin,
    PlaneTrack,
    compute_distances_m,
    compute_leg_lengths,
    compute_path_length_m,
    find_plane_origin,
    project_to_plane,
    restore_from_plane,
)


@pytest.mark.parametrize(
    ("row", "metres"),
    # GeographicLib tests/geodtest.cpp: latitude, longitude, latitude, longitude, s12.
    [
        ((35.60777, -139.44815, -11.17491, -69.95921), 8935244.5604818305),
        ((55.52454, 106.05087, 77.03196, 197.18234), 4105086.1713924406),
        ((-19.79938, -174.47484, -11.99349, -154.35109), 2319004.8601169389),
        # GeographicLib documentation, JFK to LHR: 5853226 m, there in whole metres.
        ((40.6, -73.8, 49.01666667, 2.55), 5853226.256),
    ],
)
def test_lengths_equal_geographiclibs_rows(row: tuple[float, ...], metres: float) -> None:
    latitude, longitude = np.array([row[0], row[2]]), np.array([row[1], row[3]])
    assert compute_path_length_m(latitude, longitude) == pytest.approx(metres, abs=0.0006)
    assert compute_distances_m(latitude[:1], longitude[:1], latitude[1:], longitude[1:])[
        0
    ] == pytest.approx(metres, abs=0.0006)


def test_the_baseline_of_flinders_peak_and_buninyong_equals_the_published_one() -> None:
    # Geoscience Australia: 54972.271 m on GRS80, whose flattening differs from WGS 84 by 1e-11.
    def degrees(d: int, m: int, s: float) -> float:
        return d + m / 60 + s / 3600

    latitude = -np.array([degrees(37, 57, 3.72030), degrees(37, 39, 10.15610)])
    longitude = np.array([degrees(144, 25, 29.52440), degrees(143, 55, 35.38390)])
    assert compute_path_length_m(latitude, longitude) == pytest.approx(54972.271, abs=0.0006)


@given(st.lists(st.tuples(st.floats(-80, 80), st.floats(-180, 180)), min_size=2, max_size=12))
def test_a_path_equals_the_sum_of_geographiclibs_legs(places: list[tuple[float, float]]) -> None:
    latitude, longitude = (np.array(column, float) for column in zip(*places, strict=True))
    legs = [
        Geodesic.WGS84.Inverse(a[0], a[1], b[0], b[1], Geodesic.DISTANCE)["s12"]
        for a, b in itertools.pairwise(places)
    ]
    np.testing.assert_allclose(compute_leg_lengths(latitude, longitude), legs, atol=1e-6)


def test_fewer_than_two_fixes_have_no_length() -> None:
    assert compute_path_length_m(np.empty(0), np.empty(0)) == 0
    assert compute_path_length_m(np.array([1.0]), np.array([2.0])) == 0
    with pytest.raises(ValueError, match="one shape"):
        compute_path_length_m(np.ones(2), np.ones(3))


def test_a_missing_place_has_no_distance() -> None:
    found = compute_distances_m(
        np.array([0.0, np.nan]), np.zeros(2), np.array([0.0, 0.0]), np.array([1.0, 1.0])
    )
    # One degree of longitude on the equator: a pi / 180.
    assert found[0] == pytest.approx(6378137 * np.pi / 180, abs=1e-6)
    assert np.isnan(found[1])


def test_the_plane_keeps_distances_from_its_origin() -> None:
    origin = PlaneOrigin(47.0, 8.0)
    latitude, longitude = np.array([47.02, 46.9, np.nan]), np.array([8.03, 8.1, 8.0])
    track = project_to_plane(latitude, longitude, origin=origin)
    radii = np.hypot(track.east_m, track.north_m)
    for index in range(2):
        expected = Geodesic.WGS84.Inverse(47.0, 8.0, latitude[index], longitude[index])["s12"]
        assert radii[index] == pytest.approx(expected, abs=1e-4)
    assert np.isnan(radii[2])


def test_the_plane_distorts_a_workout_by_less_than_a_ten_thousandth() -> None:
    # 20 km away from the origin, a leg of about 1 km.
    track = project_to_plane(
        np.array([47.18, 47.18]), np.array([8.0, 8.0132]), origin=PlaneOrigin(47.0, 8.0)
    )
    planar = np.hypot(np.diff(track.east_m), np.diff(track.north_m))[0]
    expected = Geodesic.WGS84.Inverse(47.18, 8.0, 47.18, 8.0132)["s12"]
    assert planar == pytest.approx(expected, rel=1e-4)


@given(st.floats(-70, 70), st.floats(-180, 180), st.floats(-30e3, 30e3), st.floats(-30e3, 30e3))
def test_going_to_the_plane_and_back_changes_nothing(
    latitude: float, longitude: float, east: float, north: float
) -> None:
    origin = PlaneOrigin(latitude, longitude)
    there = restore_from_plane(
        PlaneTrack(np.array([east, np.nan]), np.array([north, 0.0])), origin=origin
    )
    back = project_to_plane(*there, origin=origin)
    assert back.east_m[0] == pytest.approx(east, abs=1e-4)
    assert back.north_m[0] == pytest.approx(north, abs=1e-4)
    assert np.isnan(back.east_m[1])


def test_the_origin_lies_in_the_middle_also_across_the_date_line() -> None:
    origin = find_plane_origin(np.array([10.0, 12.0, np.nan]), np.array([179.9, -179.9, 0.0]))
    assert origin.latitude_deg == pytest.approx(11.0)
    assert abs(origin.longitude_deg) == pytest.approx(180.0)
    with pytest.raises(ValueError, match="found none"):
        find_plane_origin(np.array([np.nan]), np.array([1.0]))
