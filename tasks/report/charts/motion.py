"""Speed, altitude and battery over time."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from tasks.core.registers import chart
from tasks.core.wording import convert, join_words, write_clock, write_number
from tasks.report.charts.heart_rate import append_line
from tasks.report.drawing import Drawing, encode_device, encode_time

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tasks.report.facts import Series, WorkoutData

_KMH_PER_MPS: Final = 3.6
#: Battery levels come seldom: a line breaks only where none came for this long [s].
_BATTERY_GAP_S: Final = 7200.0
_MOTION_GAP_S: Final = 30.0


@chart("workout", section="distance")
def draw_speed(data: WorkoutData) -> tuple[Drawing, ...]:
    """Draw the speed that each device gives, over time."""
    statute = data.settings.units == "statute"
    factor = convert(1.0, "m/s", units="statute")[0] if statute else _KMH_PER_MPS
    unit = "mi/h" if statute else "km/h"
    said = _say_results(data, "distance_error_pct", "distance error", "%")
    return _draw_lines(
        data,
        data.series,
        name="speed",
        channel="speed_mps",
        title="Speed as each device reports it",
        axis=f"speed ({unit})",
        factor=factor,
        said=said,
    )


@chart("workout", section="elevation")
def draw_elevation(data: WorkoutData) -> tuple[Drawing, ...]:
    """Draw the altitude that each device gives, over time."""
    factor, unit = convert(1.0, "m", units=data.settings.units)
    return _draw_lines(
        data,
        data.series,
        name="elevation",
        channel="altitude_m",
        title="Altitude as each device reports it",
        axis=f"altitude ({unit})",
        factor=factor,
        said=_say_results(data, "ascent_m", "ascent", "m"),
    )


@chart("workout", section="battery")
def draw_battery(data: WorkoutData) -> tuple[Drawing, ...]:
    """Draw the battery level that each device reports, over time."""
    return _draw_lines(
        data,
        data.battery,
        name="battery",
        channel="battery_pct",
        title="Battery level",
        axis="battery (%)",
        factor=1.0,
        said=_say_results(data, "battery_rate_pct_per_h", "use", "%/h"),
        step=True,
        gap_s=_BATTERY_GAP_S,
    )


def _draw_lines(
    data: WorkoutData,
    series: Mapping[str, Series],
    *,
    name: str,
    channel: str,
    title: str,
    axis: str,
    factor: float,
    said: str,
    step: bool = False,
    gap_s: float = _MOTION_GAP_S,
) -> tuple[Drawing, ...]:
    devices = []
    table: dict[str, list[Any]] = {"s": [], "value": [], "device": []}
    for recording_id, one in series.items():
        if not one.has(channel):
            continue
        device = data.recording(recording_id).device
        devices.append(device)
        append_line(
            table,
            one.seconds,
            one.values(channel) * factor,
            value="value",
            label=device.label,
            data=data,
            decimals=2,
            gap_s=gap_s,
        )
    if not devices:
        return ()
    begin, end = (
        write_clock(data.local(instant), seconds=False)
        for instant in (data.facts.start_s, data.facts.end_s)
    )
    names = join_words([device.label for device in devices])
    return (
        Drawing(
            name=name,
            title=title,
            alternative=f"{title}: {names}, from {begin} to {end}. {said}".strip(),
            spec={
                "height": 0.3,
                "layer": [
                    {
                        "data": {"name": name},
                        "mark": {"type": "line", "interpolate": "step-after" if step else "linear"},
                        "encoding": {
                            "x": encode_time(data),
                            "y": {
                                "field": "value",
                                "type": "quantitative",
                                "scale": {"zero": False},
                                "axis": {"title": axis, "tickCount": 6},
                            },
                            **encode_device(devices),
                        },
                    }
                ],
            },
            tables={name: table},
            devices=tuple(devices),
            kind="time",
        ),
    )


def _say_results(data: WorkoutData, metric: str, what: str, unit: str) -> str:
    said = []
    for recording in data.recordings:
        result = data.find(recording.recording_id, metric)
        if result is not None and result.value is not None:
            number = write_number(result.value, unit, units=data.settings.units)
            said.append(f"{recording.device.label}: {what} {number} {unit}.")
    return " ".join(said)
