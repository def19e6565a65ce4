"""Private places: which positions lie inside one, and which straight lines lead across one.

What is published, as pages or as data, shows no position inside and no line across. The circles
that are hidden are not those of the settings: a circle through the ends of fifty cut tracks is
known to less than a metre, and so is its centre. `draw_hiding` moves and widens them.
"""

from __future__ import annotations

import hashlib
import hmac
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.maths.geodesy import (
    PlaneOrigin,
    PlaneTrack,
    compute_leg_lengths,
    project_to_plane,
    restore_from_plane,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from config.report import PrivatePlace

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]

#: A hidden circle is centred between so many radii from the place. The area of this ring is that
#: of 22 circles of half a radius: who knows all but the key is right in 1 of 20 guesses at most.
_NEAREST: Final = 2.25
_FARTHEST: Final = 3.25
#: Radius of a hidden circle in radii of the place: the place's own circle lies inside.
_WIDER: Final = 4.26
#: Ends of tracks are moved along the track by at most so many radii, before they are moved on to
#: where the track has turned.
_LONGEST_END: Final = 1.0
#: Directions are taken over so many radii of the hidden circle.
_SIGHTS: Final = (0.25, 0.5, 1.0)
#: On a side that is drawn with the circle, in this angle, ends are moved farther along the track,
#: by so many times the longest of the others: else the mean of many ends would lie near the place.
_SECTOR_RAD: Final = np.pi
_LONGER_END: Final = (12.0, 18.0)


@dataclass(frozen=True)
class Hiding:
    """What is hidden: circles, and how far the ends of a track are moved on from them.

    `ends_m` is the longest such distance for each of `places`, `sides_rad` the side on which it is
    several times as long; nothing is moved where they are empty. `key` draws the distances, the
    same ones each time. After that a track stays hidden while its direction points into the circle.
    """

    places: tuple[PrivatePlace, ...] = ()
    ends_m: tuple[float, ...] = ()
    sides_rad: tuple[float, ...] = ()
    key: bytes = b""

    def find_hidden(self, latitude_deg: Floats, longitude_deg: Floats, *, track: str) -> Booleans:
        """Mark the positions `(n,)` of a track that are not to be published, in order of time.

        A missing position is not marked. Ends of tracks of one name are moved by the same
        distance: devices that are worn together share it when `track` is their workout.
        """
        hidden = np.zeros(latitude_deg.shape, dtype=np.bool_)
        known = np.flatnonzero(np.isfinite(latitude_deg) & np.isfinite(longitude_deg))
        if not known.size or not self.places:
            return hidden
        latitude, longitude = latitude_deg[known], longitude_deg[known]
        along = np.concatenate([[0.0], np.cumsum(compute_leg_lengths(latitude, longitude))])
        marked = np.zeros(known.shape, dtype=np.bool_)
        for number, place in enumerate(self.places):
            at = _place_around(latitude, longitude, place)
            if self.ends_m:
                marked |= self._widen(at, along, number=number, track=track)
            else:
                marked |= np.hypot(*at.T) <= place.radius_m
        hidden[known] = marked
        return hidden

    def _widen(self, at: Floats, along_m: Floats, *, number: int, track: str) -> Booleans:
        """Mark what is hidden because of one circle; `at` `(n, 2)` are metres from its centre."""
        radius_m = self.places[number].radius_m
        inside: Booleans = np.hypot(*at.T) <= radius_m
        through = _leads_through(at, radius_m)
        # A leg that leads across is inside from its beginning to its end.
        begins, ends = inside.copy(), inside.copy()
        begins[:-1] |= through
        ends[1:] |= through
        if not ends.any():
            return inside
        before_m, after_m = (
            self.ends_m[number] * share for share in _draw(self.key, f"ends|{number}|{track}")
        )
        hidden = _mark_near(along_m, begins, ends, before_m=before_m, after_m=after_m)
        hidden |= self._mark_beside(at, along_m, begins, ends, number=number, track=track)
        back = _points_into(at, along_m, radius_m)
        forth = _points_into(at[::-1], along_m[-1] - along_m[::-1], radius_m)[::-1]
        after: Booleans = _spread(hidden, back)
        before: Booleans = _spread(hidden[::-1], forth[::-1])[::-1]
        return hidden | after | before

    def _mark_beside(
        self,
        at: Floats,
        along_m: Floats,
        begins: Booleans,
        ends: Booleans,
        *,
        number: int,
        track: str,
    ) -> Booleans:
        """Mark the fixes before and after a circle that lie on its longer side."""
        shortest, longest = (times * self.ends_m[number] for times in _LONGER_END)
        before_m, after_m = (
            shortest + (longest - shortest) * share
            for share in _draw(self.key, f"side|{number}|{track}")
        )
        turned = np.arctan2(at[:, 0], at[:, 1]) - self.sides_rad[number]
        beside = np.cos(turned) > np.cos(_SECTOR_RAD / 2)
        near = _mark_near(along_m, begins, ends, before_m=before_m, after_m=after_m)
        return np.asarray(beside & near)


def draw_hiding(places: Sequence[PrivatePlace], key: bytes) -> Hiding:
    """Return what is hidden instead of the circles of the settings, the same for the same `key`.

    Each circle is four times as wide, and its centre about two to three radii beside the place, so
    that the place's own circle lies inside. Who changes radius or centre gets another circle, and
    two of them tell more than one.
    """
    return Hiding(
        tuple(_move(place, key) for place in places),
        tuple(_LONGEST_END * place.radius_m for place in places),
        tuple(2 * np.pi * _draw_centre(place, key)[1] for place in places),
        key,
    )


def find_spans(seconds: Floats, hidden: Booleans, known: Booleans) -> list[tuple[float, float]]:
    """Return when a track is hidden: from the last position that shows to the next.

    Both are excluded. `seconds`, `hidden` and `known` (where there is a position) are `(n,)`, in
    order of time. Where no position shows before or after, the span has no end.
    """
    at = np.flatnonzero(known)
    if not at.size:
        return []
    edges = np.diff(np.concatenate([[False], hidden[at], [False]]).astype(np.int8))
    spans = []
    for begin, end in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True):
        first = -np.inf if begin == 0 else float(seconds[at[begin - 1]])
        last = np.inf if end == at.size else float(seconds[at[end]])
        spans.append((first, last))
    return spans


def _move(place: PrivatePlace, key: bytes) -> PrivatePlace:
    first, second = _draw_centre(place, key)
    # Every point of the ring is as likely as any other.
    away_m = place.radius_m * np.sqrt(_NEAREST**2 + (_FARTHEST**2 - _NEAREST**2) * first)
    plane = PlaneTrack(
        np.array([away_m * np.sin(2 * np.pi * second)]),
        np.array([away_m * np.cos(2 * np.pi * second)]),
    )
    origin = PlaneOrigin(place.latitude_deg, place.longitude_deg)
    latitude_deg, longitude_deg = restore_from_plane(plane, origin=origin)
    return place.model_copy(
        update={
            "latitude_deg": float(latitude_deg[0]),
            "longitude_deg": float(longitude_deg[0]),
            "radius_m": _WIDER * place.radius_m,
        }
    )


def _draw_centre(place: PrivatePlace, key: bytes) -> tuple[float, float]:
    label = f"centre|{place.latitude_deg!r}|{place.longitude_deg!r}|{place.radius_m!r}"
    return _draw(key, label)


def _draw(key: bytes, label: str) -> tuple[float, float]:
    """Return two numbers from 0 to 1 that nobody knows without the key (HMAC, RFC 2104)."""
    digest = hmac.new(key, label.encode("utf-8", "backslashreplace"), hashlib.sha256).digest()
    first, second = (int.from_bytes(digest[at : at + 8], "big") / 2.0**64 for at in (0, 8))
    return first, second


def _mark_near(
    along_m: Floats, begins: Booleans, ends: Booleans, *, before_m: float, after_m: float
) -> Booleans:
    """Mark the fixes `(n,)` inside, and at most so far before and after.

    `along_m` is the distance along the track.
    """
    following = np.append(np.where(begins, along_m, np.inf), np.inf)
    following = np.minimum.accumulate(following[::-1])[::-1][:-1]
    preceding = np.maximum.accumulate(np.where(ends, along_m, -np.inf))
    reached = (following - along_m < before_m) | (along_m - preceding < after_m)
    return np.asarray(begins | ends | reached)


def _points_into(at: Floats, along_m: Floats, radius_m: float) -> Booleans:
    """Mark the fixes whose way on, traced back, leads through a circle around the origin.

    The way on is looked at over several lengths; one that the track lacks is its end, and a track
    that ends before the shortest one is taken to lead there.
    """
    into = np.asarray(along_m > along_m[-1] - _SIGHTS[0] * radius_m)
    for length_m in (share * radius_m for share in _SIGHTS):
        ahead = np.minimum(np.searchsorted(along_m, along_m + length_m), along_m.size - 1)
        way = at[ahead] - at
        long = np.hypot(*way.T)
        way = way / np.where(long > 0, long, 1.0)[:, None]
        behind = np.sum(at * way, axis=1) > 0
        across = np.abs(at[:, 0] * way[:, 1] - at[:, 1] * way[:, 0])
        into |= (behind & (across <= radius_m)) | (long == 0)
    return into


def _spread(hidden: Booleans, pointing: Booleans) -> Booleans:
    """Mark the fixes after a hidden part as long as each of them is marked in `pointing`."""
    number = np.arange(hidden.size)
    from_ = np.maximum.accumulate(np.where(hidden, number, -1))
    stop = np.maximum.accumulate(np.where(~pointing & ~hidden, number, -1))
    return (from_ >= 0) & (stop < from_)


def _place_around(latitude_deg: Floats, longitude_deg: Floats, place: PrivatePlace) -> Floats:
    """Return positions `(n, 2)` as metres east and north of a place."""
    # Distances from the origin of this plane are exact.
    origin = PlaneOrigin(place.latitude_deg, place.longitude_deg)
    plane = project_to_plane(latitude_deg, longitude_deg, origin=origin)
    return np.column_stack([plane.east_m, plane.north_m])


def _leads_through(at: Floats, radius_m: float) -> Booleans:
    """Mark the straight lines `(n - 1,)` between points that lead through a circle around 0, 0."""
    way = np.diff(at, axis=0)
    square = np.sum(np.square(way), axis=1)
    # The point of each line that is nearest to the centre.
    share = np.clip(-np.sum(at[:-1] * way, axis=1) / np.where(square > 0, square, 1.0), 0, 1)
    nearest = np.linalg.norm(at[:-1] + share[:, None] * way, axis=1)
    return np.asarray(nearest <= radius_m)


def find_inside(
    latitude_deg: Floats, longitude_deg: Floats, places: Sequence[PrivatePlace]
) -> Booleans:
    """Mark the positions `(n,)` inside any of the places; a missing one is not inside."""
    inside = np.zeros(latitude_deg.shape, dtype=np.bool_)
    for place in places:
        at = _place_around(latitude_deg, longitude_deg, place)
        inside |= np.hypot(*at.T) <= place.radius_m
    return inside


def find_crossings(
    latitude_deg: Floats, longitude_deg: Floats, places: Sequence[PrivatePlace]
) -> Booleans:
    """Mark each position `(n,)` that a straight line from the one before reaches through a place.

    None of the positions may be missing. The first has none before it.
    """
    crossing = np.zeros(latitude_deg.shape, dtype=np.bool_)
    for place in places:
        at = _place_around(latitude_deg, longitude_deg, place)
        crossing[1:] |= _leads_through(at, place.radius_m)
    return crossing
