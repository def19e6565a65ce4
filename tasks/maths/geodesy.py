"""Lengths on the WGS 84 ellipsoid and a local metric plane."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tasks.maths.arrays import FloatArray, require_same_shape

_MIN_FIXES = 2


@dataclass(frozen=True, slots=True)
class PlaneTrack:
    """Metres east and north of the plane's origin, each ``(n_fixes,)``."""

    east_m: FloatArray
    north_m: FloatArray


@dataclass(frozen=True, slots=True)
class PlaneOrigin:
    """The place where a local plane touches the ellipsoid [deg]."""

    latitude_deg: float
    longitude_deg: float


def compute_leg_lengths(latitude_deg: FloatArray, longitude_deg: FloatArray) -> FloatArray:
    """Return the geodesic length of each leg between consecutive fixes [m].

    Both ``(n_fixes,)`` without gaps; gives ``(n_fixes - 1,)``, empty for fewer than two fixes.
    *Source*: Karney 2013, Journal of Geodesy 87:43, on WGS 84 (error in nanometres; a sphere is
    off by up to 0.35 %). *Raises* ValueError if the shapes differ.
    """
    require_same_shape(latitude_deg, longitude_deg)
    if latitude_deg.size < _MIN_FIXES:
        return np.empty(0)
    from pyproj import Geod  # noqa: PLC0415 - pyproj is slow to import

    lengths: FloatArray = np.asarray(
        Geod(ellps="WGS84").line_lengths(longitude_deg, latitude_deg), dtype=np.float64
    )
    return lengths[: latitude_deg.size - 1]


def compute_path_length_m(latitude_deg: FloatArray, longitude_deg: FloatArray) -> float:
    """Return the summed geodesic length of the legs [m]; 0 for fewer than two fixes.

    Grows with noise and shrinks with sparse sampling: the sum of fixes is not the way walked.
    """
    return float(compute_leg_lengths(latitude_deg, longitude_deg).sum())


def compute_distances_m(
    latitude_deg: FloatArray,
    longitude_deg: FloatArray,
    other_latitude_deg: FloatArray,
    other_longitude_deg: FloatArray,
) -> FloatArray:
    """Return geodesic distance between paired fixes ``(n_fixes,)`` [m]; NaN where one is NaN."""
    require_same_shape(latitude_deg, other_latitude_deg)
    from pyproj import Geod  # noqa: PLC0415 - pyproj is slow to import

    known = np.isfinite(latitude_deg + longitude_deg + other_latitude_deg + other_longitude_deg)
    distances = np.full(latitude_deg.shape, np.nan)
    if known.any():
        _, _, lengths = Geod(ellps="WGS84").inv(
            longitude_deg[known],
            latitude_deg[known],
            other_longitude_deg[known],
            other_latitude_deg[known],
        )
        distances[known] = lengths
    return distances


def find_plane_origin(latitude_deg: FloatArray, longitude_deg: FloatArray) -> PlaneOrigin:
    """Return the middle of the fixes as the origin of a local plane, right across 180 degrees.

    *Raises* ValueError if there is no known fix.
    """
    known = np.isfinite(latitude_deg) & np.isfinite(longitude_deg)
    if not known.any():
        raise ValueError("a local plane needs at least one known fix, found none")
    latitude, longitude = latitude_deg[known], longitude_deg[known]
    turned = (longitude - longitude[0] + 180.0) % 360.0 - 180.0
    middle = float(longitude[0] + (turned.min() + turned.max()) / 2)
    return PlaneOrigin(
        float((latitude.min() + latitude.max()) / 2), (middle + 180.0) % 360.0 - 180.0
    )


def project_to_plane(
    latitude_deg: FloatArray, longitude_deg: FloatArray, *, origin: PlaneOrigin
) -> PlaneTrack:
    """Return the fixes in the azimuthal equidistant plane around an origin [m].

    Both ``(n_fixes,)``; NaN stays NaN. Distances from the origin are exact, others are off by
    less than 1 in 10,000 within 100 km. *Source*: Snyder 1987, USGS Professional Paper 1395,
    p. 191, ellipsoidal form of PROJ.
    """
    from pyproj import Proj  # noqa: PLC0415 - pyproj is slow to import

    plane = Proj(
        proj="aeqd", lat_0=origin.latitude_deg, lon_0=origin.longitude_deg, ellps="WGS84", units="m"
    )
    known = np.isfinite(latitude_deg) & np.isfinite(longitude_deg)
    east, north = np.full(latitude_deg.shape, np.nan), np.full(latitude_deg.shape, np.nan)
    if known.any():
        east[known], north[known] = plane(longitude_deg[known], latitude_deg[known])
    return PlaneTrack(east, north)


def restore_from_plane(track: PlaneTrack, *, origin: PlaneOrigin) -> tuple[FloatArray, FloatArray]:
    """Return latitude and longitude [deg] of places in a local plane; NaN stays NaN."""
    from pyproj import Proj  # noqa: PLC0415 - pyproj is slow to import

    plane = Proj(
        proj="aeqd", lat_0=origin.latitude_deg, lon_0=origin.longitude_deg, ellps="WGS84", units="m"
    )
    known = np.isfinite(track.east_m) & np.isfinite(track.north_m)
    latitude = np.full(track.east_m.shape, np.nan)
    longitude = np.full(track.east_m.shape, np.nan)
    if known.any():
        longitude[known], latitude[known] = plane(
            track.east_m[known], track.north_m[known], inverse=True
        )
    return latitude, longitude
