"""The invented valley of the demo: a village with blocks, a forest trail, two rides, a ridge.

All of it is invented, on the coordinates of `places`; nobody lives there.
"""

import math
from collections.abc import Sequence
from functools import cache

from tests.simulate.places import Point
from tests.simulate.routes import PATH, ROAD, STREET, WOOD, Route, Way, lay_route
from tests.simulate.terrain import Hill, Terrain

SEED = 63
VALLEY = Terrain(
    base_m=296.0,
    hills=(
        Hill(-120.0, -720.0, 74.0, 300.0),
        Hill(-210.0, -1640.0, 34.0, 170.0),
        Hill(2750.0, 3150.0, 128.0, 850.0),
        Hill(-1750.0, 3250.0, 112.0, 700.0),
        Hill(3850.0, -1500.0, 46.0, 330.0),
        Hill(2950.0, -2650.0, 250.0, 800.0),
    ),
    ripple_m=5.0,
    seed=SEED,
)
#: Where the streets of the village lie, along and across [m], and how it is turned.
STREETS_M = (0.0, 68.0, 150.0, 221.0, 310.0)
CROSS_STREETS_M = (0.0, 92.0, 171.0, 276.0)
TURNED_RAD = math.radians(24.0)


def _stand(along: int, across: int) -> Point:
    """Return the crossing of two streets of the village."""
    east, north = STREETS_M[along], CROSS_STREETS_M[across]
    return (
        round(east * math.cos(TURNED_RAD) - north * math.sin(TURNED_RAD), 1),
        round(east * math.sin(TURNED_RAD) + north * math.cos(TURNED_RAD), 1),
    )


def _follow(way: Way, points: Sequence[Point]) -> list[tuple[Way, Point]]:
    return [(way, point) for point in points]


def _shift(points: Sequence[Point], east_m: float, north_m: float) -> list[Point]:
    return [(east + east_m, north + north_m) for east, north in points]


#: The trail: up in hairpins, along the wood's edge, down in hairpins, over a knoll, home.
_TRAIL_UP = [
    (170, 70), (330, 210), (300, 400), (425, 500), (330, 555), (455, 605), (345, 660), (470, 705),
    (375, 760), (500, 800),
]  # fmt: skip
_TRAIL_ABOVE = [
    (640, 870),
    (790, 810),
    (850, 940),
    (1000, 900),
    (1185, 840),
    (1120, 640),
    (1255, 505),
]
_TRAIL_DOWN = [
    (1165, 440), (1280, 395), (1170, 340), (1275, 285), (1180, 225), (1250, 150), (1115, 100),
    (1040, 215), (930, 170),
]  # fmt: skip
_TRAIL_HOME = [
    (770, 40), (690, 90), (560, -115), (400, -50), (350, -160), (255, -190), (70, -130), (0, 0),
]  # fmt: skip
_RIDE_OUT = [
    (520, 900), (1250, 1480), (2300, 1650), (3250, 2500), (3000, 3650), (1700, 4250), (350, 3950),
]  # fmt: skip
_RIDE_BACK = [(-1050, 4500), (-2250, 3800), (-2450, 2450), (-1500, 1620), (-880, 700)]
_MIXED_OUT = [(740, -330), (1500, -220), (2150, -700), (2850, -520), (3300, -900)]
_MIXED_WOOD = [
    (3500, -1150), (3410, -1400), (3660, -1560), (3550, -1800), (3800, -1960), (4060, -1850),
    (4000, -1600), (4240, -1450), (4140, -1200), (3920, -1090), (3990, -850), (3720, -710),
    (3540, -860), (3300, -900),
]  # fmt: skip
_RIDGE_UP = [
    (1740, -1010), (1890, -1360), (2080, -1420), (1955, -1525), (2125, -1590), (2005, -1690),
    (2195, -1760), (2500, -1890), (2750, -2200), (3050, -2450), (3420, -2900),
]  # fmt: skip
_RIDGE_ON = [(3050, -2450), (2700, -2760), (2260, -2690), (1890, -2960), (1400, -2790)]
_RIDGE_DOWN = [
    (1150, -2390), (1295, -2300), (1130, -2215), (1275, -2110), (1115, -2015), (890, -1700),
    (1060, -1300), (1300, -960), (1500, -800),
]  # fmt: skip


@cache
def build_trail() -> Route:
    """Return the forest trail, one round of some 5.5 km."""
    east, north = -700.0, -1500.0
    legs = [
        *_follow(PATH, _shift(_TRAIL_UP[:2], east, north)),
        *_follow(WOOD, _shift(_TRAIL_UP[2:], east, north)),
        *_follow(PATH, _shift(_TRAIL_ABOVE, east, north)),
        *_follow(WOOD, _shift(_TRAIL_DOWN, east, north)),
        *_follow(PATH, _shift(_TRAIL_HOME, east, north)),
    ]
    return lay_route((east, north), legs, seed=SEED, terrain=VALLEY, graded_m=8.0)


@cache
def build_road() -> Route:
    """Return the road ride: through the village, round two hills, home through other streets."""
    out = [_stand(*crossing) for crossing in ((2, 0), (2, 1), (3, 1), (3, 3))]
    home = [_stand(*crossing) for crossing in ((0, 3), (0, 1), (1, 1), (1, 0), (0, 0))]
    legs = [
        *_follow(STREET, out),
        *_follow(ROAD, [*_RIDE_OUT, *_RIDE_BACK, home[0]]),
        *_follow(STREET, home[1:]),
    ]
    return lay_route(_stand(0, 0), legs, seed=SEED, terrain=VALLEY, graded_m=60.0)


@cache
def build_mixed() -> Route:
    """Return the mixed ride: a road out, a round in the wood, and the same road home."""
    out = [_stand(3, 1), _stand(3, 0), *_MIXED_OUT]
    legs = [
        *_follow(STREET, out[:2]),
        *_follow(ROAD, _MIXED_OUT),
        *_follow(WOOD, _MIXED_WOOD),
        *_follow(ROAD, [*_MIXED_OUT[-2::-1], _stand(3, 0)]),
        *_follow(STREET, [_stand(3, 1), _stand(1, 1)]),
    ]
    return lay_route(_stand(1, 1), legs, seed=SEED, terrain=VALLEY, graded_m=25.0)


@cache
def build_ridge() -> Route:
    """Return the hike: up to a ridge, out to the farther top and back, along it and down."""
    legs = [
        *_follow(WOOD, _RIDGE_UP[:7]),
        *_follow(PATH, [*_RIDGE_UP[7:], *_RIDGE_ON]),
        *_follow(WOOD, _RIDGE_DOWN),
    ]
    return lay_route((1500.0, -800.0), legs, seed=SEED, terrain=VALLEY, graded_m=8.0)
