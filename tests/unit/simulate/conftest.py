"""Small workouts for the tests of the simulator."""

from datetime import UTC, datetime

import pytest

from tests.simulate.places import Place, build_square, build_track
from tests.simulate.script import Effort, SwimSet, Workout, perform, swim

START_UTC = datetime(2026, 1, 10, 8, 0, tzinfo=UTC)


@pytest.fixture(scope="session")
def laps() -> Workout:
    """Two thousand metres on the track, with a stop in between."""
    efforts = [
        Effort("first", 330.0, 3.0, 0.6, 166.0),
        Effort("stop", 60.0, 0.0, 0.3),
        Effort("second", 300.0, 3.4, 0.75, 172.0, segment="fast"),
    ]
    return perform(
        efforts,
        name="laps",
        activity="running",
        place=Place("track", build_track()),
        start_utc=START_UTC,
        seed=1,
        finish_m=2000.0,
    )


@pytest.fixture(scope="session")
def square() -> Workout:
    """Ten minutes about a square."""
    return perform(
        [Effort("run", 600.0, 3.0, 0.6, 166.0)],
        name="square",
        activity="running",
        place=Place("road", build_square()),
        start_utc=START_UTC,
        seed=1,
    )


@pytest.fixture(scope="session")
def lengths() -> Workout:
    """Twelve lengths of the pool in two sets."""
    sets = [SwimSet(6, 30.0, 40.0), SwimSet(6, 34.0, 20.0, "backstroke", 20)]
    return swim(sets, name="lengths", start_utc=START_UTC, seed=1)
