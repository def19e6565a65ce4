"""Altitude and battery over time, and the lines that speed shares with them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import chart
from tasks.core.wording import convert, join_words, write_clock, write_number
from tasks.report.charts.heart_rate import append_line
from tasks.report.drawing import Drawing, encode_device, encode_time

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from tasks.report.facts import DeviceFacts, WorkoutData

    Floats = NDArray[np.float64]

#: Battery levels come seldom: a line breaks only where none came for this long [s].
_BATTERY_GAP_S: Final = 7200.0
_MOTION_GAP_S: Final = 30.0


@chart("workout", section="elevation")
def draw_elevation(data: WorkoutData) -> tuple[Drawing, ...]:
    """Draw the altitude that each device gives, over time."""
    factor, unit = convert(1.0, "m", units=data.settings.units)
    return draw_lines(
        data,
        {key: (one.seconds, one.values("altitude_m") * factor) for key, one in data.series.items()},
        name="elevation",
        title="Altitude as each device reports it",
        axis=f"altitude ({unit})",
        said=say_results(data, "ascent_m", "ascent", "m"),
    )


@chart("workout", section="battery")
def draw_battery(data: WorkoutData) -> tuple[Drawing, ...]:
    """Draw the battery level that each device reports, over time."""
    return draw_lines(
        data,
        {key: (one.seconds, one.values("battery_pct")) for key, one in data.battery.items()},
        name="battery",
        title="Battery level",
        axis="battery (%)",
        said=say_results(data, "battery_rate_pct_per_h", "use", "%/h"),
        step=True,
        gap_s=_BATTERY_GAP_S,
    )


def draw_lines(
    data: WorkoutData,
    lines: Mapping[str, tuple[Floats, Floats]],
    *,
    name: str,
    title: str,
    axis: str,
    said: str,
    vertical: Mapping[str, Mapping[str, Any]] | None = None,
    step: bool = False,
    gap_s: float = _MOTION_GAP_S,
    decimals: int = 2,
) -> tuple[Drawing, ...]:
    """Draw one line per recording, its seconds and its values; `vertical` changes the axis."""
    devices: list[DeviceFacts] = []
    changed = vertical or {}
    table: dict[str, list[Any]] = {"s": [], "value": [], "device": []}
    order = [one.recording_id for one in data.recordings]
    # From below to above: references first, devices under test last.
    for recording_id in sorted(lines, key=order.index, reverse=True):
        seconds, values = lines[recording_id]
        if not np.isfinite(values).any():
            continue
        device = data.recording(recording_id).device
        devices.insert(0, device)
        append_line(
            table,
            seconds,
            values,
            value="value",
            label=device.label,
            data=data,
            decimals=decimals,
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
                        "mark": {
                            "type": "line",
                            "interpolate": "step-after" if step else "linear",
                            "clip": True,
                        },
                        "encoding": {
                            "x": encode_time(data),
                            "y": {
                                "field": "value",
                                "type": "quantitative",
                                "scale": {"zero": False, **changed.get("scale", {})},
                                "axis": {
                                    "title": axis,
                                    "tickCount": 6,
                                    **changed.get("axis", {}),
                                },
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


def say_results(data: WorkoutData, metric: str, what: str, unit: str) -> str:
    """Return one number of each recording in words."""
    said = []
    for recording in data.recordings:
        result = data.find(recording.recording_id, metric)
        if result is not None and result.value is not None:
            number = write_number(result.value, unit, units=data.settings.units)
            said.append(f"{recording.device.label}: {what} {number} {unit}.")
    return " ".join(said)
