"""A workout lived on a route keeps to slopes, corners, lights, and to published costs."""

import numpy as np
import pytest

from tests.simulate import demo_workouts as days
from tests.simulate.effort_costs import RUNNING, WALKING, compare_cost, find_force
from tests.simulate.script import Workout


@pytest.fixture(scope="module")
def ride() -> Workout:
    return days.ride_road()


@pytest.fixture(scope="module")
def trail() -> Workout:
    return days.run_trail()


def test_costs_of_slopes_are_the_published_ones() -> None:
    # Minetti et al. 2002, J Appl Physiol 93:1039, abstract (values from memory): 18.93 (running)
    # and 17.33 J/kg/m (walking) were measured on +0.45; the polynomials lie within their SD.
    assert RUNNING[-1] * compare_cost(np.array([0.45]), RUNNING)[0] == pytest.approx(
        18.93, abs=1.74
    )
    assert WALKING[-1] * compare_cost(np.array([0.45]), WALKING)[0] == pytest.approx(
        17.33, abs=1.11
    )
    down = compare_cost(np.array([-0.1, -0.2]), RUNNING)
    assert (down < 0.7).all()  # downhill is cheapest at -0.10 to -0.20
    assert (compare_cost(np.zeros(1), RUNNING) == 1.0).all()


def test_a_rider_works_against_air_tyres_and_hill() -> None:
    # By hand: 0.5 * 1.25 * 0.4 * 10^2 = 25 N of air; 80 * 9.81 * (0.005 + 0.03) = 27.468 N.
    assert find_force(10.0, 0.03, 80.0, 0.4, 0.005) == pytest.approx(52.468)


def test_a_rider_stands_at_every_light_for_as_long_as_it_says(ride: Workout) -> None:
    still = ride.speed_mps == 0.0
    waits = [span for span in ride.efforts if span.name.endswith("waiting")]
    lasts = [span.end_s - span.start_s for span in waits]
    assert lasts == [24.0, 33.0, 58.0, 41.0]
    for span in waits:
        assert still[int(span.start_s) : int(span.end_s)].all()
        assert ride.cadence_per_min[int(span.start_s) : int(span.end_s)].max() == 0.0
    assert still.sum() == sum(lasts)


def test_nobody_brakes_or_leans_harder_than_people_do(ride: Workout) -> None:
    slowing = -np.diff(ride.speed_mps)
    # The last metres before a light are taken at walking pace, from which one steps down.
    assert slowing[ride.speed_mps[1:] > 1.5].max() < 2.6
    path = ride.place.path
    assert path is not None
    for corner in path.corners:
        at = int(np.searchsorted(ride.distance_m, corner.apex_m))
        if at < len(ride.speed_mps) and abs(corner.turn_deg) > 75.0:
            assert ride.speed_mps[at] < 7.5


def test_uphill_is_slower_and_harder_than_downhill(trail: Workout) -> None:
    path = trail.place.path
    assert path is not None
    slope = (path.climb(trail.distance_m + 20) - path.climb(trail.distance_m - 20)) / 40.0
    later = trail.time_s > 400.0
    up, down = later & (slope > 0.04), later & (slope < -0.04)
    assert trail.speed_mps[up].mean() < 0.8 * trail.speed_mps[down].mean()
    # The heart follows with a delay: half a minute later.
    after = np.minimum(np.arange(len(slope)) + 30, len(slope) - 1)
    rate = trail.heart_rate_bpm[after]
    assert rate[up].mean() > rate[down].mean() + 5.0


def test_a_workout_ends_where_its_last_stage_does(trail: Workout) -> None:
    path = trail.place.path
    assert path is not None
    assert trail.distance_m[-1] == pytest.approx(path.length_m - days.SHORT_OF_END_M, abs=1e-6)
    assert days.run_track().distance_m[-1] == pytest.approx(6000.0, abs=1e-6)


def test_the_same_seed_lives_the_same_and_another_one_does_not(
    trail: Workout, monkeypatch: pytest.MonkeyPatch
) -> None:
    np.testing.assert_array_equal(days.run_trail().heart_rate_bpm, trail.heart_rate_bpm)
    monkeypatch.setattr(days, "SEED", 5)
    again = days.run_trail()
    assert len(again.time_s) != len(trail.time_s) or (again.speed_mps != trail.speed_mps).any()


def test_descents_are_found_where_the_line_falls(trail: Workout) -> None:
    path = trail.place.path
    assert path is not None
    descents = days.find_descents(trail)
    assert len(descents) >= 2
    for span in descents:
        ends = np.interp([span.start_s, span.end_s], trail.time_s, trail.distance_m)
        fallen = -float(np.diff(path.climb(ends))[0])
        assert fallen > 0.035 * float(np.diff(ends)[0])
