"""Channels that seem to hold another unit than the one they are read in."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from tasks.core.registers import Finding, finding
from tasks.maths.geodesy import compute_leg_lengths
from tasks.workout.tracks import explain_no_positions, get_fixes

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from config.devices import ReferenceChannel
    from tasks.maths.arrays import FloatArray
    from tasks.workout.case import Case, Subject

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
_NAMES: Final = {"speed_mps": "speed", "distance_m": "distance", "altitude_m": "altitude"}
#: How near a factor must be, how far any two devices may differ, and how steady the ratio must be.
_NEAR: Final = 0.03
_STEADY: Final = 0.15
#: Least time [s], speed [m/s], way [m] and range of heights [m] that tell a factor.
_LEAST_S: Final = 120
_LEAST_MPS: Final = 1.0
_LEAST_M: Final = 300.0
_LEAST_CLIMB_M: Final = 15.0
_BLOCK_S: Final = 60
_FEWEST: Final = 2


class _Ratio(NamedTuple):
    """The test's values in those compared with, as a factor, and what they are compared with."""

    factor: float
    against: str


@finding(
    "unit_mismatch",
    domain="distance",
    title="Values in another unit",
    unit="1",
    definition="Speed, distance or altitude is throughout as many times that of the device's own "
    "track, or else of a reference device or of two others, as one unit is of another, to 3 %; "
    "the size is the factor; a sensor that is wrong by just that factor looks the same",
    source="factors: NIST SP 811, appendix B; limits: common practice, no source",
)
def find_unit_mismatches(case: Case) -> list[Finding]:
    """Return the channels of the test that seem to hold another unit."""
    seconds = case.workout.grid.seconds[case.test.covered]
    found = []
    for channel, measure in _MEASURES.items():
        ratio = measure(case) if case.test.has(channel) and seconds.size else None
        unit = None if ratio is None else _name_unit(channel, ratio.factor)
        if ratio is not None and unit is not None:
            times = f"{ratio.factor:.4g} times that of {ratio.against}"
            note = f"{_NAMES[channel]} is {times}, like {unit}"
            found.append(Finding(float(seconds[0]), float(seconds[-1]), ratio.factor, note))
    return found


def _name_unit(channel: str, factor: float) -> str | None:
    for name, exact in _FACTORS[channel].items():
        if abs(factor / exact - 1) <= _NEAR:
            return name
    return None


# --- distance and speed -----------------------------------------------------------------------
def _compare_distance(case: Case) -> _Ratio | None:
    return _compare_way(case, case.test.values("distance_m"))


def _compare_speed(case: Case) -> _Ratio | None:
    own = np.cumsum(np.nan_to_num(case.test.values("speed_mps")))
    own[~np.isfinite(case.test.values("speed_mps"))] = np.nan
    return _compare_way(case, own)


def _compare_way(case: Case, own: FloatArray) -> _Ratio | None:
    """Compare a way with that of the own track, else with those of the others."""
    track = _sum_track(case, case.test)
    if track is not None:
        return _divide_growth(own, track, "its own track")
    ways = [_get_way(case, other) for other in _list_judges(case, "distance_m")]
    return _agree(
        [_divide_growth(own, way, "the other devices") for way in ways if way is not None]
    )


def _get_way(case: Case, subject: Subject) -> FloatArray | None:
    """Return the way of another device on the grid: its track, else its counter [m]."""
    track = _sum_track(case, subject)
    return subject.values("distance_m") if track is None and subject.has("distance_m") else track


def _sum_track(case: Case, subject: Subject) -> FloatArray | None:
    """Return the running sum of the fixes on the grid, NaN between them; None without a track."""
    if subject.recording.header.position_kind != "gnss":
        return None
    if explain_no_positions(case) is not None and subject is case.test:
        return None
    fixes = get_fixes(case.workout, subject)
    if fixes.n < _FEWEST:
        return None
    legs = compute_leg_lengths(fixes.latitude_deg, fixes.longitude_deg)
    way = np.full(subject.covered.size, np.nan)
    way[fixes.second] = np.concatenate([[0.0], np.cumsum(legs)])
    return way


def _divide_growth(own: FloatArray, other: FloatArray, against: str) -> _Ratio | None:
    """Return the median ratio of the growth over blocks, if most blocks have about the same."""
    both = np.flatnonzero(np.isfinite(own) & np.isfinite(other))
    ratios = []
    at = both[:1]
    for index in both.tolist():
        if index - at[0] < _BLOCK_S:
            continue
        grown, way = own[index] - own[at[0]], other[index] - other[at[0]]
        if index - at[0] < 2 * _BLOCK_S and way >= _LEAST_MPS * _BLOCK_S and grown > 0:
            ratios.append(grown / way)
        at = np.array([index])
    if len(ratios) * _BLOCK_S < _LEAST_S or not ratios:
        return None
    middle = float(np.median(ratios))
    spread = float(np.median(np.abs(np.array(ratios) / middle - 1)))
    return _Ratio(middle, against) if spread <= _STEADY else None


# --- altitude ---------------------------------------------------------------------------------
def _compare_altitude(case: Case) -> _Ratio | None:
    """Compare level and range of the heights with those of others: a unit changes both alike."""
    own = case.test.values("altitude_m")
    ratios: list[_Ratio | None] = []
    for other in _list_judges(case, "altitude_m"):
        theirs = other.values("altitude_m")
        both = np.isfinite(own) & np.isfinite(theirs)
        if both.sum() < _LEAST_S:
            continue
        low, high = np.quantile(theirs[both], [0.05, 0.95])
        own_low, own_high = np.quantile(own[both], [0.05, 0.95])
        if high - low < _LEAST_CLIMB_M or abs(high) < _LEAST_CLIMB_M:
            continue
        by_range = (own_high - own_low) / (high - low)
        level = float(np.median(own[both]) / np.median(theirs[both]))
        if abs(by_range / level - 1) <= _STEADY:
            ratios.append(_Ratio(level, "the other devices"))
    return _agree(ratios)


def _list_judges(case: Case, channel: str) -> list[Subject]:
    """Return a reference device of the channel, else two other devices or more, else nobody."""
    kind: ReferenceChannel = "altitude" if channel == "altitude_m" else "distance"
    others = [
        other
        for other in case.others
        if other.device.id != case.test.device.id
        and (other.has(channel) or (kind == "distance" and other.has("latitude_deg")))
    ]
    references = [other for other in others if other.device.is_reference_for(kind)]
    return references or (others if len(others) >= _FEWEST else [])


def _agree(ratios: list[_Ratio | None]) -> _Ratio | None:
    """Return the median ratio where all that could be compared say nearly the same."""
    known = [one for one in ratios if one is not None]
    if not known:
        return None
    factors = [one.factor for one in known]
    middle = float(np.median(factors))
    is_same = max(abs(factor / middle - 1) for factor in factors) <= _STEADY
    return _Ratio(middle, known[0].against) if is_same else None


_MEASURES: Final[Mapping[str, Callable[[Case], _Ratio | None]]] = {
    "speed_mps": _compare_speed,
    "distance_m": _compare_distance,
    "altitude_m": _compare_altitude,
}
