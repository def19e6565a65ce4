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
    """Return the geodesic length of each leg between consecutive fixes.

    Parameters
    ----------
    latitude_deg
        Shape ``(n_fixes,)`` [deg], without gaps.
    longitude_deg
        The same.

    Returns
    -------
    FloatArray
        Shape ``(n_fixes - 1,)`` [m], empty for fewer than two fixes.

    Raises
    ------
    ValueError
        The shapes differ.

    References
    ----------
    Karney 2013, Journal of Geodesy 87:43, on WGS 84 (error in nanometres; a sphere is off by up to
    0.35 %).
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
    """Return the summed geodesic length of the legs.

    Parameters
    ----------
    latitude_deg
        Shape ``(n_fixes,)`` [deg], without gaps.
    longitude_deg
        The same.

    Returns
    -------
    float
        In metres; 0 for fewer than two fixes. Grows with noise and shrinks with sparse sampling:
        the sum of fixes is not the way walked.

    Raises
    ------
    ValueError
        The shapes differ.
    """
    return float(compute_leg_lengths(latitude_deg, longitude_deg).sum())


def compute_distances_m(
    latitude_deg: FloatArray,
    longitude_deg: FloatArray,
    other_latitude_deg: FloatArray,
    other_longitude_deg: FloatArray,
) -> FloatArray:
    """Return the geodesic distance between paired fixes.

    Parameters
    ----------
    latitude_deg, longitude_deg
        Shape ``(n_fixes,)`` [deg]; NaN is missing.
    other_latitude_deg, other_longitude_deg
        The other fix of each pair.

    Returns
    -------
    FloatArray
        Shape ``(n_fixes,)`` [m]; NaN where one is missing.

    Raises
    ------
    ValueError
        The latitudes differ in shape.

    References
    ----------
    Karney 2013, Journal of Geodesy 87:43, on WGS 84.
    """
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

    Parameters
    ----------
    latitude_deg
        Shape ``(n_fixes,)`` [deg]; NaN is missing.
    longitude_deg
        The same.

    Returns
    -------
    PlaneOrigin
        In degrees, longitude from -180 to 180.

    Raises
    ------
    ValueError
        There is no known fix.
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
    """Return the fixes in the azimuthal equidistant plane around an origin.

    Parameters
    ----------
    latitude_deg
        Shape ``(n_fixes,)`` [deg]; NaN stays NaN.
    longitude_deg
        The same.
    origin
        Where the plane touches the ellipsoid.

    Returns
    -------
    PlaneTrack
        Metres east and north. Distances from the origin are exact, others are off by less than 1
        in 10,000 within 100 km.

    References
    ----------
    Snyder 1987, USGS Professional Paper 1395, p. 191, ellipsoidal form of PROJ.
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
    """Return latitude and longitude of places in a local plane.

    Parameters
    ----------
    track
        Metres east and north; NaN stays NaN.
    origin
        Where the plane touches the ellipsoid.

    Returns
    -------
    tuple[FloatArray, FloatArray]
        Latitude and longitude, shape ``(n_fixes,)`` each [deg].
    """
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
