"""What a map shows: lines and marks in the plane, metres east and north of one origin."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tasks.report.facts import DeviceFacts

    Floats = NDArray[np.float64]

#: Metres between two marks along the way, by units; the first that gives few enough.
_STEPS: Final = {
    "metric": (1000.0, 2000.0, 5000.0, 10_000.0, 20_000.0),
    "statute": tuple(1609.344 * miles for miles in (1, 2, 5, 10, 20)),
}
_MOST_MARKS: Final = 12
_ARROWS: Final = 8
_CLEAR: Final = 0.015
#: Start and finish nearer than this are one mark [share of the map's width].
_TOGETHER: Final = 0.03
#: Round lengths of a scale bar.
_ROUND: Final = (1.0, 2.0, 5.0)
_FT_PER_M: Final = 1 / 0.3048
_FT_PER_MI: Final = 5280.0


@dataclass(frozen=True)
class MapLine:
    """One line; arrays `(n,)`, NaN where it breaks. `kind` is track, course or outline."""

    kind: str
    east_m: Floats
    north_m: Floats
    seconds: Floats | None = None
    device: DeviceFacts | None = None


@dataclass(frozen=True)
class Pin:
    """One mark: ring, cross, start, finish, both, distance or arrow; `turn_deg` from north."""

    kind: str
    east_m: float
    north_m: float
    words: str = ""
    device: DeviceFacts | None = None
    turn_deg: float = 0.0


@dataclass(frozen=True)
class Plan:
    """A map: its middle and its size [m], lines from below to above, and marks upon them."""

    east_m: float
    north_m: float
    wide_m: float
    high_m: float
    lines: tuple[MapLine, ...]
    pins: tuple[Pin, ...]
    units: str


def mark_way(line: MapLine, *, units: str, wide_m: float) -> tuple[Pin, ...]:
    """Return start, finish, distances along the way and arrows of a line.

    Where the line breaks nothing is counted: distances are of what shows.
    """
    known = np.isfinite(line.east_m) & np.isfinite(line.north_m)
    at = np.flatnonzero(known)
    if len(at) < 2:  # noqa: PLR2004 - one point is no way
        return ()
    steps = np.hypot(np.diff(line.east_m), np.diff(line.north_m))
    along = np.concatenate([[0.0], np.cumsum(np.where(np.isfinite(steps), steps, 0.0))])
    total = float(along[-1])
    first, last = int(at[0]), int(at[-1])
    gap = np.hypot(line.east_m[first] - line.east_m[last], line.north_m[first] - line.north_m[last])
    ends = [("both", first, "start, finish")]
    if gap > _TOGETHER * wide_m:
        ends = [("start", first, "start"), ("finish", last, "finish")]
    pins = [
        Pin(kind, float(line.east_m[index]), float(line.north_m[index]), words)
        for kind, index, words in ends
    ]
    spacing = next((one for one in _STEPS[units] if total / one <= _MOST_MARKS), _STEPS[units][-1])
    unit, length = ("km", 1000.0) if units == "metric" else ("mi", 1609.344)
    for number in range(1, int(total // spacing) + 1):
        words = f"{number * spacing / length:.0f} {unit}"
        pins += _pin(line, along, number * spacing, "distance", words)
    for number in range(_ARROWS):
        at_m = (number + 0.5) / _ARROWS * total
        # An arrow upon a mark would hide it.
        if abs(at_m - round(at_m / spacing) * spacing) > _CLEAR * total:
            pins += _pin(line, along, at_m, "arrow", "")
    return tuple(pins)


def _pin(line: MapLine, along: Floats, at_m: float, kind: str, words: str) -> list[Pin]:
    after = min(int(np.searchsorted(along, at_m)), len(along) - 1)
    before = max(after - 1, 0)
    east, north = line.east_m[[before, after]], line.north_m[[before, after]]
    if not (np.isfinite(east).all() and np.isfinite(north).all()) or after == before:
        return []
    leg = along[after] - along[before]
    share = (at_m - along[before]) / leg if leg > 0 else 0.0
    turn = float(np.degrees(np.arctan2(east[1] - east[0], north[1] - north[0])))
    middle = east[0] + share * (east[1] - east[0]), north[0] + share * (north[1] - north[0])
    return [Pin(kind, float(middle[0]), float(middle[1]), words, turn_deg=turn)]


def choose_bar(longest_m: float, *, units: str) -> tuple[float, str]:
    """Return the longest round length below `longest_m`, and its words."""
    if units == "metric":
        length = _round_down(longest_m)
        return length, f"{length / 1000:g} km" if length >= 1000 else f"{length:g} m"  # noqa: PLR2004
    feet = longest_m * _FT_PER_M
    if feet >= _FT_PER_MI:
        miles = _round_down(feet / _FT_PER_MI)
        return miles * _FT_PER_MI / _FT_PER_M, f"{miles:g} mi"
    feet = _round_down(feet)
    return feet / _FT_PER_M, f"{feet:g} ft"


def _round_down(value: float) -> float:
    power = 10.0 ** np.floor(np.log10(max(value, 0.01)))
    return float(max(one * power for one in _ROUND if one * power <= value * (1 + 1e-9)))
