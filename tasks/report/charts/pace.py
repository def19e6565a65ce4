"""Speed over time, or pace where people think in pace: on foot and in the water."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import chart
from tasks.core.wording import convert
from tasks.report.charts.motion import draw_lines, say_results

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tasks.report.drawing import Drawing
    from tasks.report.facts import Series, WorkoutData

    Floats = NDArray[np.float64]

_KMH_PER_MPS: Final = 3.6
_ON_FOOT: Final = frozenset({"running", "walking", "hiking"})
_IN_WATER: Final = frozenset({"swimming"})
#: Below this somebody stands, and has no pace [m/s].
_STANDS_MPS: Final = {"foot": 0.5, "water": 0.2}
#: By units: what a pace is of [m], and its name. The yard is 0.9144 m by definition.
_LENGTHS: Final = {
    ("foot", "metric"): (1000.0, "km"),
    ("foot", "statute"): (1609.344, "mi"),
    ("water", "metric"): (100.0, "100 m"),
    ("water", "statute"): (91.44, "100 yd"),
}
#: Paces beyond these shares of all are drawn at the edge: a standstill would press all together.
_FASTEST_PCT: Final = 0.5
_SLOWEST_PCT: Final = 97.0
_ROOM: Final = 1.06
_TICKS_S: Final = (5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0)
_MOST_TICKS: Final = 7
_GAP_S: Final = 8.0
_LABEL: Final = (
    "floor(datum.value / 60) + ':' + (datum.value % 60 < 10 ? '0' : '') + datum.value % 60"
)


@chart("workout", section="distance")
def draw_speed(data: WorkoutData) -> tuple[Drawing, ...]:
    """Draw the speed that each device gives over time; as pace on foot and in the water."""
    said = say_results(data, "distance_error_pct", "distance error", "%")
    activity = data.facts.activity
    how = "foot" if activity in _ON_FOOT else "water" if activity in _IN_WATER else ""
    if how:
        return _draw_pace(data, how, said)
    statute = data.settings.units == "statute"
    factor = convert(1.0, "m/s", units="statute")[0] if statute else _KMH_PER_MPS
    return draw_lines(
        data,
        {key: _values(one.values("speed_mps") * factor, one) for key, one in data.series.items()},
        name="speed",
        title="Speed as each device reports it",
        axis=f"speed ({'mi/h' if statute else 'km/h'})",
        said=said,
    )


def _values(values: Floats, series: Series) -> tuple[Floats, Floats]:
    return series.seconds, values


def _draw_pace(data: WorkoutData, how: str, said: str) -> tuple[Drawing, ...]:
    length_m, name = _LENGTHS[how, data.settings.units]
    paces = {
        key: (one.seconds, to_pace(one.values("speed_mps"), length_m, _STANDS_MPS[how]))
        for key, one in data.series.items()
    }
    known = np.concatenate([np.empty(0), *(pace for _, pace in paces.values())])
    known = known[np.isfinite(known)]
    if not known.size:
        return ()
    fast, slow = np.percentile(known, [_FASTEST_PCT, _SLOWEST_PCT])
    fast, slow = float(fast) / _ROOM, float(slow) * _ROOM
    step = next((one for one in _TICKS_S if (slow - fast) / one <= _MOST_TICKS), _TICKS_S[-1])
    ticks = np.arange(np.ceil(fast / step) * step, slow, step)
    return draw_lines(
        data,
        paces,
        name="speed",
        title="Pace as each device reports it",
        axis=f"pace (min/{name}), slow below",
        said=said,
        vertical={
            # What is faster stands higher.
            "scale": {"zero": False, "nice": False, "domain": [fast, slow], "reverse": True},
            "axis": {"values": ticks.tolist(), "labelExpr": _LABEL},
        },
        gap_s=_GAP_S,
        decimals=0,
    )


def to_pace(speed_mps: Floats, length_m: float, stands_mps: float) -> Floats:
    """Return the time for a length [s], missing where somebody stands."""
    moving = np.where(speed_mps >= stands_mps, speed_mps, np.nan)
    pace: Any = length_m / moving
    return np.asarray(pace, dtype=np.float64)
