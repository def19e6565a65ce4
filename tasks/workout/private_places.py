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
#: Ends of tracks are moved along the track by at most so many radii.
_LONGEST_END: Final = 2.0
#: Lengths of whole workouts: less the length of what shows, they are the length of what does not.
LENGTHS: Final = (
    "distance_own_m",
    "distance_summed_m",
    "distance_counter_m",
    "distance_error_m",
    "distance_summed_error_m",
    "distance_chord_loss_m",
)
WITHHELD: Final = "withheld: with the track that shows it would tell the way to a private place"
#: Clocks of one workout's devices agree at least so well, where they were aligned [s].
_CLOCKS_S: Final = 5.0


@dataclass(frozen=True)
class Hiding:
    """What is hidden: circles, and how far the ends of a track are moved on from them.

    `ends_m` is the longest such distance for each of `places`, none where it is empty; `key` draws
    the distances, the same ones each time.
    """

    places: tuple[PrivatePlace, ...] = ()
    ends_m: tuple[float, ...] = ()
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
            inside = find_inside(latitude, longitude, [place])
            marked |= inside
            if self.ends_m:
                crossing = find_crossings(latitude, longitude, [place])
                before, after = (
                    self.ends_m[number] * share
                    for share in _draw(self.key, f"ends|{number}|{track}")
                )
                marked |= _reach(along, inside, crossing, before_m=before, after_m=after)
        hidden[known] = marked
        return hidden


def draw_hiding(places: Sequence[PrivatePlace], key: bytes) -> Hiding:
    """Return what is hidden instead of the circles of the settings, the same for the same `key`.

    Each circle is four times as wide, and its centre about two to three radii beside the place, so
    that the place's own circle lies inside. Who changes radius or centre gets another circle, and
    two of them tell more than one.
    """
    return Hiding(
        tuple(_move(place, key) for place in places),
        tuple(_LONGEST_END * place.radius_m for place in places),
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


def find_within(seconds: Floats, spans: Sequence[tuple[float, float]]) -> Booleans:
    """Mark the instants `(n,)` that lie in any of the spans, or a few seconds beside them."""
    within = np.zeros(seconds.shape, dtype=np.bool_)
    for first, last in spans:
        within |= (seconds > first - _CLOCKS_S) & (seconds < last + _CLOCKS_S)
    return within


def count_shown_m(distance_m: Floats, hidden: Booleans) -> Floats:
    """Return a distance counter `(n,)` that does not count what is hidden; missing there.

    The counter of a device would tell how far it is from an end of the track to the place.
    """
    shown = np.where(hidden, np.nan, distance_m)
    at = np.flatnonzero(np.isfinite(shown))
    if not at.size or not hidden.any():
        return shown
    # A step counts when nothing is hidden between its ends.
    number = np.cumsum(hidden)[at]
    steps = np.where(np.diff(number) == 0, np.diff(shown[at]), 0.0)
    begins = 0.0 if number[0] else float(shown[at[0]])
    shown[at] = begins + np.concatenate([[0.0], np.cumsum(steps)])
    return shown


def _move(place: PrivatePlace, key: bytes) -> PrivatePlace:
    label = f"centre|{place.latitude_deg!r}|{place.longitude_deg!r}|{place.radius_m!r}"
    first, second = _draw(key, label)
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


def _draw(key: bytes, label: str) -> tuple[float, float]:
    """Return two numbers from 0 to 1 that nobody knows without the key (HMAC, RFC 2104)."""
    digest = hmac.new(key, label.encode("utf-8", "backslashreplace"), hashlib.sha256).digest()
    first, second = (int.from_bytes(digest[at : at + 8], "big") / 2.0**64 for at in (0, 8))
    return first, second


def _reach(
    along_m: Floats, inside: Booleans, crossing: Booleans, *, before_m: float, after_m: float
) -> Booleans:
    """Mark the fixes `(n,)` at most so far before and after a part of the way that is inside.

    `along_m` is the distance along the track.
    """
    # A leg that leads across is inside from its beginning to its end.
    begins = inside.copy()
    begins[:-1] |= crossing[1:]
    ends = inside | crossing
    reached = np.zeros(along_m.shape, dtype=np.bool_)
    if begins.any():
        following = np.append(np.where(begins, along_m, np.inf), np.inf)
        following = np.minimum.accumulate(following[::-1])[::-1][:-1]
        reached |= following - along_m < before_m
        preceding = np.maximum.accumulate(np.where(ends, along_m, -np.inf))
        reached |= along_m - preceding < after_m
    return reached


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
