"""Channels that seem to hold another unit than the one they are read in.

Such a channel is reported as a finding and withheld (`tasks.workout.withheld`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal, NamedTuple

import numpy as np

from tasks.maths.geodesy import compute_leg_lengths
from tasks.workout.case import Withheld
from tasks.workout.shared_signals import leave_one_each
from tasks.workout.tracks import get_fixes

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from tasks.maths.arrays import FloatArray
    from tasks.workout.case import Subject, Workout

#: What a value becomes where another unit is read as the one of the tables: units in the one they
#: were taken for. Exact factors: NIST SP 811, appendix B (mile 1609.344 m, foot 0.3048 m).
_FACTORS: Final[Mapping[str, Mapping[str, float]]] = {
    "speed_mps": {"km/h as m/s": 3.6, "mph as m/s": 1 / 0.44704, "m/s as km/h": 1 / 3.6},
    "distance_m": {
        "km as m": 1e-3,
        "miles as m": 1 / 1609.344,
        "miles as km": 1 / 1.609344,
        "km as miles": 1.609344,
        "feet as m": 1 / 0.3048,
    },
    "altitude_m": {"feet as m": 1 / 0.3048, "m as feet": 0.3048},
}
#: How near a factor must be, how far any two devices may differ, and how steady the ratio must be.
_NEAR: Final = 0.03
_STEADY: Final = 0.15
#: Least time [s], speed [m/s], way [m] and range of heights [m] that tell a factor.
_LEAST_S: Final = 120
_LEAST_MPS: Final = 1.0
_LEAST_CLIMB_M: Final = 15.0
_BLOCK_S: Final = 60
_FEWEST: Final = 2


class _Ratio(NamedTuple):
    """The test's values in those compared with, as a factor, and what they are compared with."""

    factor: float
    against: str


def find_mismatches(workout: Workout, subject: Subject) -> dict[str, Withheld]:
    """Return the channels of a recording that seem to hold another unit, with what tells it."""
    found = {}
    for channel, measure in _MEASURES.items():
        ratio = measure(workout, subject) if subject.has(channel) else None
        unit = None if ratio is None else _name_unit(channel, ratio.factor)
        if ratio is not None and unit is not None:
            name = channel.rpartition("_")[0]
            why = f"{name} is {ratio.factor:.4g} times that of {ratio.against}, like {unit}"
            found[channel] = Withheld(channel, why, ratio.factor)
    return found


def _name_unit(channel: str, factor: float) -> str | None:
    for name, exact in _FACTORS[channel].items():
        if abs(factor / exact - 1) <= _NEAR:
            return name
    return None


# --- distance and speed -----------------------------------------------------------------------
def _compare_distance(workout: Workout, subject: Subject) -> _Ratio | None:
    own = subject.values("distance_m")
    found = _compare_way(workout, subject, own)
    return found or _divide_growth(own, sum_speed(subject), "its own speed")


def _compare_speed(workout: Workout, subject: Subject) -> _Ratio | None:
    own = sum_speed(subject)
    found = _compare_way(workout, subject, own)
    return found or _divide_growth(own, subject.values("distance_m"), "its own distance")


def sum_speed(subject: Subject) -> FloatArray:
    """Return the running sum of the own speed on the grid [m], NaN where it is missing."""
    speed = subject.values("speed_mps")
    way = np.cumsum(np.nan_to_num(speed))
    way[~np.isfinite(speed)] = np.nan
    return way


def _compare_way(workout: Workout, subject: Subject, own: FloatArray) -> _Ratio | None:
    """Compare a way with that of the own track, else with those of the others."""
    track = sum_track(workout, subject)
    if track is not None:
        return _divide_growth(own, track, "its own track")
    return _judge(
        workout,
        subject,
        "distance",
        lambda other: _divide_growth(own, _get_way(workout, other), "the other devices"),
    )


def _get_way(workout: Workout, subject: Subject) -> FloatArray:
    """Return the way of another device on the grid: its track, else its counter [m]."""
    track = sum_track(workout, subject)
    return subject.values("distance_m") if track is None else track


def sum_track(workout: Workout, subject: Subject) -> FloatArray | None:
    """Return the running sum of the fixes on the grid, NaN between them; None without a track."""
    if subject.recording.header.position_kind != "gnss":
        return None
    fixes = get_fixes(workout, subject)
    if fixes.n < _FEWEST:
        return None
    legs = compute_leg_lengths(fixes.latitude_deg, fixes.longitude_deg)
    way = np.full(subject.covered.size, np.nan)
    way[fixes.second] = np.concatenate([[0.0], np.cumsum(legs)])
    return way


def _list_blocks(seconds: NDArray[np.intp]) -> Iterator[tuple[int, int]]:
    """Yield first and last second of blocks one after another, each as short as may be."""
    at = 0
    while at < seconds.size:
        then = int(np.searchsorted(seconds, seconds[at] + _BLOCK_S))
        if then < seconds.size:
            yield int(seconds[at]), int(seconds[then])
        at = then


def _divide_growth(own: FloatArray, other: FloatArray, against: str) -> _Ratio | None:
    """Return the median ratio of the growth over blocks, if most blocks have about the same."""
    both = np.flatnonzero(np.isfinite(own) & np.isfinite(other))
    ratios = []
    for begin, end in _list_blocks(both):
        grown, way = own[end] - own[begin], other[end] - other[begin]
        if end - begin < 2 * _BLOCK_S and way >= _LEAST_MPS * _BLOCK_S and grown > 0:
            ratios.append(grown / way)
    if len(ratios) * _BLOCK_S < _LEAST_S or not ratios:
        return None
    middle = float(np.median(ratios))
    spread = float(np.median(np.abs(np.array(ratios) / middle - 1)))
    return _Ratio(middle, against) if spread <= _STEADY else None


# --- altitude ---------------------------------------------------------------------------------
def _compare_altitude(workout: Workout, subject: Subject) -> _Ratio | None:
    """Compare level and range of the heights with those of others: a unit changes both alike."""
    own = subject.values("altitude_m")
    return _judge(
        workout, subject, "altitude", lambda other: _divide_heights(own, other.values("altitude_m"))
    )


def _divide_heights(own: FloatArray, theirs: FloatArray) -> _Ratio | None:
    both = np.isfinite(own) & np.isfinite(theirs)
    if both.sum() < _LEAST_S:
        return None
    low, high = np.quantile(theirs[both], [0.05, 0.95])
    own_low, own_high = np.quantile(own[both], [0.05, 0.95])
    if high - low < _LEAST_CLIMB_M or abs(high) < _LEAST_CLIMB_M:
        return None
    by_range = (own_high - own_low) / (high - low)
    level = float(np.median(own[both]) / np.median(theirs[both]))
    is_unit = abs(by_range / level - 1) <= _STEADY
    return _Ratio(level, "the other devices") if is_unit else None


# --- whom to believe --------------------------------------------------------------------------
def _judge(
    workout: Workout,
    subject: Subject,
    kind: Literal["distance", "altitude"],
    divide: Callable[[Subject], _Ratio | None],
) -> _Ratio | None:
    """Return the ratio to a reference device, else to two other devices or more that agree.

    Who contradicts itself judges nobody. A reference without a track may itself be read in
    another unit: two others or more that agree with this recording are believed rather than it.
    """
    others = [
        other
        for other in workout.subjects
        if other.device.id != subject.device.id
        and not (kind == "distance" and _contradicts_itself(workout, other))
    ]
    others = leave_one_each(workout, others, kind)
    references = [other for other in others if other.device.is_reference_for(kind)]
    ratios = {other.recording_id: divide(other) for other in others}
    by_reference = _agree([ratios[one.recording_id] for one in references], fewest=1)
    if by_reference is None:
        return _agree(list(ratios.values()), fewest=_FEWEST)
    rest = [ratios[one.recording_id] for one in others if one not in references]
    by_rest = _agree(rest, fewest=_FEWEST)
    is_backed = by_rest is not None and abs(by_rest.factor - 1) <= _STEADY
    has_track = any(sum_track(workout, one) is not None for one in references)
    return by_rest if is_backed and not has_track else by_reference


def _contradicts_itself(workout: Workout, subject: Subject) -> bool:
    """Say whether a distance without a track is another one than the own speed adds up to."""
    if sum_track(workout, subject) is not None:
        return False
    own = _divide_growth(subject.values("distance_m"), sum_speed(subject), "its own speed")
    return own is not None and abs(own.factor - 1) > _STEADY


def _agree(ratios: Sequence[_Ratio | None], *, fewest: int) -> _Ratio | None:
    """Return the median ratio where all that could be compared say nearly the same."""
    known = [one for one in ratios if one is not None]
    if len(known) < fewest:
        return None
    factors = [one.factor for one in known]
    middle = float(np.median(factors))
    is_same = max(abs(factor / middle - 1) for factor in factors) <= _STEADY
    return _Ratio(middle, known[0].against) if is_same else None


_MEASURES: Final[Mapping[str, Callable[[Workout, Subject], _Ratio | None]]] = {
    "speed_mps": _compare_speed,
    "distance_m": _compare_distance,
    "altitude_m": _compare_altitude,
}
