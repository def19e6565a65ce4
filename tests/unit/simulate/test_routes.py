"""Routes: their length, corners, heights and surroundings are those that were laid."""

import numpy as np
import pytest

from tests.simulate import demo_places
from tests.simulate.places import Place
from tests.simulate.routes import PATH, STREET, WOOD, Route, find_turns, lay_route
from tests.simulate.terrain import Hill, Terrain

FLAT = Terrain(300.0, (), 0.0, 1)
SQUARE = [(STREET, (200.0, 0.0)), (STREET, (200.0, 200.0)), (WOOD, (0.0, 200.0)),
          (PATH, (0.0, 0.0))]  # fmt: skip
ROUTES = [demo_places.build_trail, demo_places.build_road, demo_places.build_mixed,
          demo_places.build_ridge]  # fmt: skip


@pytest.fixture(scope="module")
def square() -> Route:
    return lay_route((0.0, 0.0), SQUARE, seed=3, terrain=FLAT, graded_m=5.0)


@pytest.mark.parametrize("build", ROUTES)
def test_a_step_along_a_route_is_as_long_as_it_says(build: object) -> None:
    route = build()  # type: ignore[operator] # a builder of the demo
    along = np.append(np.arange(0.0, route.length_m, 0.02), route.length_m - 1e-9)
    east, north = route.locate(along)
    steps = np.hypot(np.diff(east), np.diff(north))
    # Where two chords meet, a step is a little shorter than its way.
    assert (steps <= 0.02 + 1e-9).all()
    assert steps.sum() == pytest.approx(route.length_m, rel=2e-4)


@pytest.mark.parametrize("build", ROUTES)
def test_a_route_comes_back_to_its_start_in_place_and_height(build: object) -> None:
    route = build()  # type: ignore[operator] # a builder of the demo
    ends = np.array([0.01, route.length_m - 0.01])
    east, north = route.locate(ends)
    assert np.hypot(np.diff(east), np.diff(north))[0] < 0.1
    assert abs(np.diff(route.climb(ends))[0]) < 0.5


def test_a_block_of_streets_has_four_corners_of_a_quarter(square: Route) -> None:
    turns = [corner.turn_deg for corner in square.corners if abs(corner.turn_deg) > 70.0]
    assert len(turns) == 3  # the fourth is where it begins and ends
    assert turns == pytest.approx([90.0, 90.0, 90.0], abs=15.0)
    assert square.marks_m == pytest.approx((197.0, 394.0, 600.0, 800.0), abs=25.0)


def test_the_sky_is_hidden_where_the_houses_and_the_trees_are(square: Route) -> None:
    middles = np.array([100.0, 300.0, 500.0, 700.0])
    street, trees = square.see_sky(middles)
    assert street == pytest.approx([1.0, 1.0, 0.0, 0.0], abs=0.01)
    assert trees == pytest.approx([0.0, 0.0, 1.0, 0.35], abs=0.01)


def test_a_leg_passed_both_ways_is_one_line_and_one_height() -> None:
    hilly = Terrain(300.0, (Hill(150.0, 40.0, 30.0, 80.0),), 4.0, 2)
    legs = [(PATH, (300.0, 0.0)), (PATH, (0.0, 0.0))]
    route = lay_route((0.0, 0.0), legs, seed=4, terrain=hilly, graded_m=0.0)
    out = np.arange(20.0, 120.0, 5.0)
    there, back = route.locate(out), route.locate(route.length_m - out)
    np.testing.assert_allclose(there, back, atol=0.6)
    np.testing.assert_allclose(route.climb(out), route.climb(route.length_m - out), atol=0.3)
    assert np.ptp(route.climb(np.arange(route.length_m))) > 15.0


def test_a_quarter_of_a_circle_is_one_turn_of_ninety_degrees() -> None:
    # A bend of radius 10 m: a quarter of it is 15.7 m long and lies within 20 m.
    along = np.arange(0.0, 100.0)
    heading = np.clip((along - 40.0) / 10.0, 0.0, np.pi / 2.0)
    (corner,) = find_turns(along, heading)
    assert corner.turn_deg == pytest.approx(90.0, abs=0.1)
    assert corner.apex_m == pytest.approx(47.9, abs=3.0)
    assert [one.turn_deg for one in find_turns(along, -heading)] == pytest.approx([-90.0], abs=0.1)


def test_a_hill_is_as_high_as_it_says() -> None:
    terrain = Terrain(200.0, (Hill(10.0, 20.0, 50.0, 100.0),), 0.0, 1)
    heights = terrain.find_height(np.array([10.0, 110.0]), np.array([20.0, 20.0]))
    # A bell: at one standard deviation exp(-1/2) = 0.60653 of it is left.
    assert heights == pytest.approx([250.0, 200.0 + 50.0 * 0.60653], abs=0.001)


def test_a_route_that_does_not_come_back_is_refused() -> None:
    with pytest.raises(ValueError, match="comes back"):
        lay_route((0.0, 0.0), SQUARE[:2], seed=3, terrain=FLAT, graded_m=5.0)


def test_a_route_lies_on_the_earth_where_its_place_does(square: Route) -> None:
    east, north = square.locate(np.array([0.0]))
    latitude, longitude = Place("square", square).to_degrees(east, north)
    assert (float(latitude[0]), float(longitude[0])) == pytest.approx((63.4120, 15.7830), abs=1e-9)
