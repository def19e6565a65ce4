"""No line of a published track leads across a private place between two fixes outside it."""

from __future__ import annotations

import numpy as np
import pytest

from config.report import PrivatePlace
from tasks.workout.private_places import find_crossings

#: A degree of latitude at the equator is 110,574 m on WGS 84 (handbook value).
DEGREE_M = 110_574.0
PLACE = PrivatePlace(latitude_deg=0.0, longitude_deg=8.0, radius_m=100.0)


def cross(*north_east_m: tuple[float, float]) -> list[bool]:
    # At the equator a degree of longitude is 111,320 m (handbook value).
    north, east = np.array(north_east_m).T
    found = find_crossings(north / DEGREE_M, 8.0 + east / 111_320.0, [PLACE])
    return found.tolist()


@pytest.mark.parametrize(
    ("fixes", "expected"),
    [
        ([(-300.0, 0.0), (300.0, 0.0)], [False, True]),  # straight through the middle
        ([(-300.0, 90.0), (300.0, 90.0)], [False, True]),  # through its edge
        ([(-300.0, 110.0), (300.0, 110.0)], [False, False]),  # past it
        ([(-300.0, 0.0), (-150.0, 0.0)], [False, False]),  # towards it, and not there yet
        ([(150.0, 0.0), (150.0, 0.0)], [False, False]),  # standing outside
        ([(-300.0, 110.0), (300.0, 110.0), (-300.0, 0.0)], [False, False, True]),
    ],
)
def test_only_lines_through_the_place_are_broken(
    fixes: list[tuple[float, float]], expected: list[bool]
) -> None:
    assert cross(*fixes) == expected


@pytest.mark.parametrize("n", [0, 1])
def test_without_two_fixes_there_is_no_line(n: int) -> None:
    fixes = np.zeros(n)
    assert not find_crossings(fixes, fixes + 8.0, [PLACE]).any()
