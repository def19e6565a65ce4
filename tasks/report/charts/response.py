"""How the devices follow the rises of the reference."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import chart
from tasks.core.wording import write_number
from tasks.maths.rises import find_rises
from tasks.report.charts.heart_rate import GAP_S
from tasks.report.drawing import Drawing, encode_device
from tasks.report.thin import thin_peaks

if TYPE_CHECKING:
    from tasks.report.facts import WorkoutData

#: What is drawn around each rise: before its begin, and after it [s].
_BEFORE_S: Final = 20
_AFTER_S: Final = 150
_MOST_RISES: Final = 12
_MOST_POINTS: Final = 100


@chart("workout", section="response")
def draw_response(data: WorkoutData) -> tuple[Drawing, ...]:
    """Draw the error since each rise of the reference began, one rise over the other."""
    table: dict[str, list[Any]] = {"since": [], "error": [], "device": [], "rise": []}
    devices = []
    most = 0
    for recording_id, pair in data.pairs.items():
        rises = find_rises(
            pair.reference_bpm,
            size=data.heart_rate.rise_bpm,
            within=round(data.heart_rate.rise_window_s),
        )[:_MOST_RISES]
        if not rises:
            continue
        device = data.recording(recording_id).device
        devices.append(device)
        most = max(most, len(rises))
        error = pair.error_bpm
        for number, rise in enumerate(rises):
            first = max(0, rise.start - _BEFORE_S)
            last = min(len(error), rise.start + _AFTER_S)
            part = error[first:last]
            since = np.arange(first, last, dtype=np.float64) - rise.start
            for index in thin_peaks(since, part, most=_MOST_POINTS, gap_s=GAP_S):
                value = part[index]
                table["since"].append(int(since[index]))
                table["error"].append(None if np.isnan(value) else round(float(value), 1))
                table["device"].append(device.label)
                table["rise"].append(number)
    if not devices:
        return ()
    whose = "the reference" if data.has_reference else "the other device"
    return (
        Drawing(
            name="response",
            title=f"{data.deviation.capitalize()} from the beginning of each rise",
            alternative=_describe(data, most),
            spec={
                "height": 0.32,
                "layer": [
                    {
                        "data": {"values": [{"zero": 0}]},
                        "mark": "rule",
                        "encoding": {"y": {"field": "zero", "type": "quantitative"}},
                    },
                    {
                        "data": {"name": "response"},
                        "mark": {"type": "line", "opacity": 0.75},
                        "encoding": {
                            "x": {
                                "field": "since",
                                "type": "quantitative",
                                "scale": {"domain": [-_BEFORE_S, _AFTER_S], "nice": False},
                                "axis": {"title": "time since the rise began (s)"},
                            },
                            "y": {
                                "field": "error",
                                "type": "quantitative",
                                "axis": {"title": f"{data.deviation} (bpm)"},
                            },
                            "detail": {"field": "rise", "type": "nominal"},
                            **encode_device(devices),
                        },
                    },
                ],
            },
            tables={"response": table},
            devices=tuple(devices),
            note=(
                f"One line per rise of {whose} by at least {data.heart_rate.rise_bpm:g} bpm "
                f"within {data.heart_rate.rise_window_s:g} s; a late device dips below zero."
            ),
        ),
    )


def _describe(data: WorkoutData, most: int) -> str:
    whose = "the reference" if data.has_reference else "the other device"
    sentences = [f"{data.deviation.capitalize()} of each device over {most} rises of {whose}."]
    for recording in data.recordings:
        delay = data.find(recording.recording_id, "hr_rise_delay_s")
        if delay is not None and delay.value is not None:
            shown = write_number(delay.value, "s", units="metric")
            sentences.append(f"{recording.device.label}: median delay at half of a rise {shown} s.")
    return " ".join(sentences)
