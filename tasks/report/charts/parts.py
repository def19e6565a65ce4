"""Size of the heart-rate error by part of the workout, intensity band and direction."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from tasks.core.registers import chart
from tasks.core.wording import write_number
from tasks.report.drawing import Drawing, encode_device
from tasks.report.sections import order_segments
from tasks.report.words import name_segment

if TYPE_CHECKING:
    from tasks.report.facts import Result, WorkoutData

_METRIC: Final = "hr_mae_bpm"
#: How far beyond the largest value the chart goes: long intervals would press all points together.
_ROOM: Final = 1.4
#: Room for the names of the parts [px].
LABELS_PX: Final = 176


@chart("workout", section="parts")
def draw_parts(data: WorkoutData) -> tuple[Drawing, ...]:
    """Draw one point with its interval per device and part; parts without values are left out."""
    shown = find_shown(data)
    parts = [
        segment
        for segment in order_segments(data, _METRIC)
        if any(one.segment == segment for one in shown)
    ]
    if not parts:
        return ()
    drawn = {one.recording_id for one in shown}
    devices = tuple(one.device for one in data.recordings if one.recording_id in drawn)
    table: dict[str, list[Any]] = {"part": [], "device": [], "mae": [], "low": [], "high": []}
    for one in shown:
        table["part"].append(name_segment(one.segment))
        table["device"].append(data.recording(one.recording_id).device.label)
        table["mae"].append(one.value)
        table["low"].append(one.value if one.ci_low is None else one.ci_low)
        table["high"].append(one.value if one.ci_high is None else one.ci_high)
    names = [name_segment(part) for part in parts]
    where = {
        "y": {
            "field": "part",
            "type": "nominal",
            "sort": names,
            "axis": {
                "title": None,
                "labelLimit": LABELS_PX - 12,
                "minExtent": LABELS_PX - 10,
                "maxExtent": LABELS_PX - 10,
            },
        },
        "yOffset": {
            "field": "device",
            "type": "nominal",
            "scale": {"domain": [device.label for device in devices], "paddingOuter": 0.6},
        },
    }
    has_interval = any(one.ci_low is not None for one in shown)
    with_intervals = ", with 95 % intervals" if has_interval else ""
    largest = max(one.value or 0.0 for one in shown)
    value = {
        "type": "quantitative",
        "scale": {"domain": [0.0, _ROOM * largest or 1.0], "nice": True},
        "axis": {"title": f"mean absolute {data.deviation} (bpm)", "tickCount": 8},
    }
    return (
        Drawing(
            name="parts",
            title=f"Size of the {data.deviation} by part{with_intervals}",
            alternative=_describe(data, shown),
            spec={
                "height": max(0.25, 0.05 * len(parts)),
                "layer": [
                    {
                        "data": {"name": "parts"},
                        "mark": {"type": "rule", "strokeWidth": 2, "clip": True},
                        "encoding": {
                            **where,
                            "x": {"field": "low", **value},
                            "x2": {"field": "high"},
                            "color": encode_device(devices, line=False)["color"],
                        },
                    },
                    {
                        "data": {"name": "parts"},
                        "mark": {"type": "point", "filled": True, "size": 55, "opacity": 1},
                        "encoding": {
                            **where,
                            "x": {"field": "mae", **value},
                            **encode_device(devices, line=False),
                        },
                    },
                ],
            },
            tables={"parts": table},
            devices=devices,
            note="Lines: 95 % intervals, cut at the edge." if with_intervals else "",
            facts={"left": LABELS_PX, "least": 24 * len(parts) * max(1, len(devices) // 2)},
        ),
    )


def find_shown(data: WorkoutData) -> list[Result]:
    """Return the values by part, each device against the reference that its page shows first."""
    references = {recording_id: pair.reference for recording_id, pair in data.pairs.items()}
    return [
        one
        for one in data.results
        if one.metric == _METRIC
        and one.value is not None
        and references.get(one.recording_id) == one.reference
    ]


def _describe(data: WorkoutData, shown: list[Result]) -> str:
    sentences = []
    for recording_id in dict.fromkeys(one.recording_id for one in shown):
        own = [one for one in shown if one.recording_id == recording_id]
        worst = max(own, key=lambda one: one.value or 0.0)
        best = min(own, key=lambda one: one.value or 0.0)
        label = data.recording(recording_id).device.label
        largest, smallest = (
            write_number(one.value, "bpm", units="metric") for one in (worst, best)
        )
        sentences.append(
            f"{label}: largest in {name_segment(worst.segment)} ({largest} bpm), smallest in "
            f"{name_segment(best.segment)} ({smallest} bpm)."
        )
    return " ".join([f"Mean absolute {data.deviation} by part.", *sentences])
