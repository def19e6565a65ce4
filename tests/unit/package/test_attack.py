"""Whoever has fifty published tracks does not find the private place by their ends.

The attacks and the ways are those of `tests.benchmarks.private_centre`. With the cut at the place's
own circle the same attacks find the place: that they can is asserted first.
"""

from __future__ import annotations

import numpy as np
import pytest

from config.report import PrivatePlace
from tasks.workout.private_places import draw_hiding, find_inside
from tests.benchmarks.private_centre import PLACE, RADIUS_M, WAYS, attack
from tests.tiers import choose

DRAWS = choose(short=40, full=200)
#: A share of 0.95 is seen as this or more in 97 of 100 sets of so many homes: two standard errors
#: less.
LEAST_SHARE = 0.95 - 2 * (0.95 * 0.05 / DRAWS) ** 0.5
BY_ENDS = ("circle of least squares", "widest empty circle", "mean of ends", "middle of the box")
FOUND_PLAINLY = (*BY_ENDS, "headings traced back", "distance counters", "hidden time times speed")


def test_a_plain_cut_is_found_by_every_one_of_these_attacks() -> None:
    errors = attack("open", draws=5, plain=True, names=FOUND_PLAINLY)
    assert all(np.median(errors[name]) < 0.25 * RADIUS_M for name in FOUND_PLAINLY)
    assert np.median(errors["circle of least squares"]) < 0.05 * RADIUS_M


@pytest.mark.parametrize("ways", WAYS)
def test_the_place_stays_unknown_by_half_a_radius_in_95_of_100_homes(ways: str) -> None:
    errors = attack(ways, draws=DRAWS)
    assert len(errors) == 12
    for name, found in errors.items():
        assert np.mean(found >= RADIUS_M / 2) >= LEAST_SHARE, name


@pytest.mark.parametrize("latitude_deg", [0.0, 63.4, -89.9])
def test_the_circle_that_is_hidden_holds_that_of_the_settings(latitude_deg: float) -> None:
    place = PrivatePlace(latitude_deg=latitude_deg, longitude_deg=179.9999, radius_m=400.0)
    for number in range(20):
        hiding = draw_hiding([place], f"home {number}".encode())
        (moved,) = hiding.places
        corner = PrivatePlace(
            latitude_deg=place.latitude_deg, longitude_deg=place.longitude_deg, radius_m=1.0
        )
        around = np.linspace(0, 2 * np.pi, 24)
        # A degree of latitude is at least 110.5 km anywhere on WGS 84.
        north = 399.0 / 111_700.0 * np.cos(around)
        east = 399.0 / 111_700.0 * np.sin(around) / np.cos(np.radians(latitude_deg))
        at = (corner.latitude_deg + north, 179.9999 + east)
        if latitude_deg > -80:
            assert find_inside(*at, [moved]).all()
        centre = (np.array([latitude_deg]), np.array([179.9999]))
        assert find_inside(*centre, [moved]).all()
        near = moved.model_copy(update={"radius_m": 2 * place.radius_m * 0.999})
        assert not find_inside(*centre, [near]).any()


def test_the_same_key_hides_the_same_and_another_one_something_else() -> None:
    first, again, other = (draw_hiding([PLACE], key) for key in (b"one", b"one", b"two"))
    assert first == again
    assert first.places != other.places
    # Ends are moved by another distance for another track, by the same for the same one.
    # A straight way out would stay hidden for ever: this one swings around the place on its way.
    away_deg, side = np.linspace(0.0, 0.03, 9000), np.pi * np.sin(np.linspace(0.0, 120.0, 9000))
    latitude, longitude = away_deg * np.cos(side), 8.0 + away_deg * np.sin(side)
    counts = [first.find_hidden(latitude, longitude, track=name).sum() for name in "aabcde"]
    assert counts[0] == counts[1]
    assert len(set(counts)) > 3
