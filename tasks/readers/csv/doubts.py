"""Columns whose numbers contradict the unit that was assumed, and tables of several devices.

A unit that no title names is assumed. Where speed, position or distance of the same rows say that
it must be another one, the column is left out with the reason: nothing is repaired by guessing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.units import UNITS
from tasks.maths.geodesy import compute_leg_lengths
from tasks.readers.csv.titles import fold_name, read_title

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from tasks.readers.csv.fitting import Fit, Use
    from tasks.readers.csv.sheet import Grid

    Floats = NDArray[np.float64]
    Columns = Mapping[str, Floats]

#: Units that a column without one may be in.
_CANDIDATES: Final = {
    "distance_m": ("m", "km", "mi"),
    "speed_mps": ("m/s", "km/h", "mph"),
}
#: A ratio of two lengths this near to that of two units, as a logarithm, is that of these units:
#: tracks and speeds differ by less (common practice, no source).
_NEAR: Final = 0.18
#: Below this way and this time nothing can be said [m], [s].
_LEAST_M: Final = 100.0
_LEAST_S: Final = 60.0
#: Places this far apart in time, so that the noise of positions does not lengthen the way [s].
_STEP_S: Final = 10.0
#: Rows farther apart than this are a pause [s].
_PAUSE_S: Final = 30.0
#: A latitude beyond this is in no degrees.
_MOST_DEG: Final = 360.0
#: Titles of a column that says which device a row is of.
_DEVICES: Final = frozenset(
    {
        "device",
        "device name",
        "device id",
        "device serial",
        "serial",
        "serial number",
        "wearable",
        "watch",
        "recorder",
        "sensor",
        "sensor name",
        "sensor id",
        "source",
        "source name",
        "unit",
    }
)
#: Share of the rows that a device has at least, and how many devices a person wears at most.
_LEAST_SHARE: Final = 0.05
_MOST_DEVICES: Final = 20
#: Two columns of one quantity are of two sensors when they differ by more than this [bpm] in more
#: than this share of the rows (common practice, no source).
_ONE_SENSOR_BPM: Final = 1.0
_TWO_SENSORS_SHARE: Final = 0.1


@dataclass(frozen=True)
class Contradiction:
    """A column that is left out: its use, the unit that its numbers fit, and why."""

    use: Use
    unit: str
    why: str

    def describe(self) -> str:
        """Return the reason in one clause."""
        return (
            f"the column {self.use.title!r} names no unit and is not read: in "
            f"{self.use.column.unit} {self.why}, in {self.unit} they would agree"
        )


def find_contradictions(fit: Fit, values: Columns, seconds: Floats) -> list[Contradiction]:
    """Return the columns with an assumed unit whose numbers must be in another one.

    `values` are in the tables' units, `seconds` the times of the rows; NaN where unknown.
    """
    found = _check_degrees(fit, values)
    assumed = {use.column.ours: use for use in fit.uses if use.column.unit_assumed}
    distance, speed = assumed.get("distance_m"), assumed.get("speed_mps")
    lengths = {
        "distance_m": _measure_distance(values),
        "speed_mps": _measure_speed(values, seconds),
    }
    placed = _find_placed(values, seconds) if not found else np.zeros(0, dtype=np.int64)
    track_m = _measure_positions(values, seconds, placed)
    if distance is not None:
        pairs = [("its positions make", lengths["distance_m"], track_m)]
        if speed is None:
            pairs.append(("its speed makes", lengths["distance_m"], lengths["speed_mps"]))
        found += _compare(distance, pairs)
    if speed is not None:
        there = {name: column[placed] for name, column in values.items()}
        there_m = _measure_speed(there, seconds[placed])
        pairs = [("its positions make", there_m, track_m)]
        if distance is None:
            pairs.append(("its distance makes", lengths["speed_mps"], lengths["distance_m"]))
        found += _compare(speed, pairs)
    if not found and len(assumed.keys() & _CANDIDATES.keys()) == len(_CANDIDATES):
        found += _compare_assumed(assumed, lengths)
    return found


def find_devices(fit: Fit, grid: Grid) -> str | None:
    """Say in words why the rows are of several devices, None where nothing shows that."""
    if fit.header is None:
        return None
    for position, title in enumerate(fit.header.cells):
        if fold_name(title) not in _DEVICES or position not in grid.cells:
            continue
        counts = grid.cells[position].value_counts()
        fewest = _LEAST_SHARE * len(grid.cells)
        names = [str(name) for name, n in counts.items() if name and n >= fewest]
        if 1 < len(names) <= _MOST_DEVICES:
            return f"the column {title!r} names {len(names)} devices ({', '.join(sorted(names))})"
    return None


def find_other_rates(fit: Fit, use: Use) -> list[int]:
    """Return the positions of other columns whose title means heart rate, too.

    Of a layout that names its columns one by one, a person has chosen them: only columns of the
    same title count.
    """
    titles = () if fit.header is None else fit.header.cells
    if not fit.layout.known_titles:
        same = fold_name(use.title)
        return [
            n for n, title in enumerate(titles) if n != use.position and fold_name(title) == same
        ]
    meanings = {n: read_title(title) for n, title in enumerate(titles) if n != use.position}
    return [
        n
        for n, meaning in meanings.items()
        if meaning is not None and meaning.ours == use.column.ours
    ]


def are_two_sensors(first: Floats, second: Floats) -> bool:
    """Say whether two columns of heart rates come from two sensors."""
    both = np.isfinite(first) & np.isfinite(second)
    if not both.any():
        return False
    apart = np.abs(first[both] - second[both]) > _ONE_SENSOR_BPM
    return float(np.mean(apart)) > _TWO_SENSORS_SHARE


def _check_degrees(fit: Fit, values: Columns) -> list[Contradiction]:
    uses = [use for use in fit.uses if use.column.ours in {"latitude_deg", "longitude_deg"}]
    for use in uses:
        known = values[use.column.ours][np.isfinite(values[use.column.ours])]
        if use.column.unit == "deg" and known.size and float(np.median(np.abs(known))) > _MOST_DEG:
            why = f"its median is {float(np.median(known)):g}"
            return [Contradiction(one, "semicircles", why) for one in uses]
    return []


def _find_placed(values: Columns, seconds: Floats) -> NDArray[np.int64]:
    """Return the rows with a position."""
    latitude, longitude = values.get("latitude_deg"), values.get("longitude_deg")
    if latitude is None or longitude is None:
        return np.zeros(0, dtype=np.int64)
    return np.flatnonzero(np.isfinite(latitude) & np.isfinite(longitude) & np.isfinite(seconds))


def _measure_positions(values: Columns, seconds: Floats, placed: NDArray[np.int64]) -> float | None:
    """Return the way along the positions [m], pauses left out."""
    if placed.size < _LEAST_S / _STEP_S:
        return None
    steps = np.floor((seconds[placed] - seconds[placed[0]]) / _STEP_S)
    rows = placed[np.unique(steps, return_index=True)[1]]
    legs_m = compute_leg_lengths(values["latitude_deg"][rows], values["longitude_deg"][rows])
    return float(legs_m[np.diff(seconds[rows]) <= _PAUSE_S].sum())


def _measure_distance(values: Columns) -> float | None:
    known = values.get("distance_m", np.empty(0))
    known = known[np.isfinite(known)]
    return float(known.max() - known.min()) if known.size > 1 else None


def _measure_speed(values: Columns, seconds: Floats) -> float | None:
    speed = values.get("speed_mps")
    if speed is None:
        return None
    known = np.flatnonzero(np.isfinite(speed) & np.isfinite(seconds))
    passed = np.diff(seconds[known])
    usable = (passed > 0.0) & (passed <= _PAUSE_S)
    if float(passed[usable].sum()) < _LEAST_S:
        return None
    middle = (speed[known][1:] + speed[known][:-1]) / 2.0
    return float((middle[usable] * passed[usable]).sum())


def _compare(
    use: Use, pairs: Sequence[tuple[str, float | None, float | None]]
) -> list[Contradiction]:
    for words, own_m, other_m in pairs:
        if own_m and other_m and other_m >= _LEAST_M:
            unit = _find_unit(use, other_m / own_m)
            if unit is not None:
                return [Contradiction(use, unit, _say(own_m, words, other_m))]
    return []


def _compare_assumed(
    assumed: Mapping[str, Use], lengths: Mapping[str, float | None]
) -> list[Contradiction]:
    """Compare distance and speed that both name no unit: their ratio is that of two units."""
    distance_m, speed_m = lengths["distance_m"], lengths["speed_mps"]
    if not distance_m or not speed_m:
        return []
    pairs = [
        (one, other) for one in _CANDIDATES["distance_m"] for other in _CANDIDATES["speed_mps"]
    ]
    ratios = {pair: _factor(pair[0]) / _factor(pair[1]) for pair in pairs}
    near = min(pairs, key=lambda pair: abs(np.log(speed_m / distance_m / ratios[pair])))
    if abs(np.log(speed_m / distance_m / ratios[near])) > _NEAR:
        return []
    why = f"distance makes {distance_m:.4g} m where speed makes {speed_m:.4g} m"
    return [
        Contradiction(assumed[ours], unit, why)
        for ours, unit in zip(_CANDIDATES, near, strict=True)
        if unit != assumed[ours].column.unit
    ]


def _find_unit(use: Use, ratio: float) -> str | None:
    """Return the other unit whose factor `ratio` is."""
    for unit in _CANDIDATES[use.column.ours]:
        if unit != use.column.unit and abs(np.log(ratio / _factor(unit))) <= _NEAR:
            return unit
    return None


def _factor(unit: str) -> float:
    return float(UNITS[unit].convert(np.ones(1))[0])


def _say(own_m: float, words: str, other_m: float) -> str:
    return f"it makes {own_m:.4g} m where {words} {other_m:.4g} m"
