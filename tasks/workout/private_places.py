"""Private places: which positions lie inside one, and which straight lines lead across one.

What is published, as pages or as data, shows no position inside and no line across.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tasks.maths.geodesy import PlaneOrigin, project_to_plane

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from config.report import PrivatePlace

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]


def find_inside(
    latitude_deg: Floats, longitude_deg: Floats, places: Sequence[PrivatePlace]
) -> Booleans:
    """Mark the positions `(n,)` inside any of the places; a missing one is not inside."""
    inside = np.zeros(latitude_deg.shape, dtype=np.bool_)
    for place in places:
        # Distances from the origin of this plane are exact.
        origin = PlaneOrigin(place.latitude_deg, place.longitude_deg)
        plane = project_to_plane(latitude_deg, longitude_deg, origin=origin)
        inside |= np.hypot(plane.east_m, plane.north_m) <= place.radius_m
    return inside


def find_crossings(
    latitude_deg: Floats, longitude_deg: Floats, places: Sequence[PrivatePlace]
) -> Booleans:
    """Mark each position `(n,)` that a straight line from the one before reaches through a place.

    None of the positions may be missing. The first has none before it.
    """
    crossing = np.zeros(latitude_deg.shape, dtype=np.bool_)
    for place in places:
        origin = PlaneOrigin(place.latitude_deg, place.longitude_deg)
        plane = project_to_plane(latitude_deg, longitude_deg, origin=origin)
        at = np.column_stack([plane.east_m, plane.north_m])
        way = np.diff(at, axis=0)
        square = np.sum(np.square(way), axis=1)
        # The point of each segment that is nearest to the centre.
        share = np.clip(-np.sum(at[:-1] * way, axis=1) / np.where(square > 0, square, 1.0), 0, 1)
        nearest = np.linalg.norm(at[:-1] + share[:, None] * way, axis=1)
        crossing[1:] |= nearest <= place.radius_m
    return crossing
